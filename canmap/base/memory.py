"""How the allocator treats large arrays: the same few megabytes are needed chunk after chunk."""

from __future__ import annotations

import numpy as np

# The threshold of the GNU allocator moves for sizes up to 32 MiB, its own header included.
_LARGEST_REUSED = 31 << 20


def keep_freed_memory() -> None:
    """Make freed memory stay with the process instead of going back to the system after every chunk.

    The GNU C library gives large blocks back as soon as they are free, and fetching them again costs a page
    fault for every 4 KiB: more than reading the signals. It stops doing so for sizes up to that of the
    largest block that was ever freed, so one such block, never touched, is enough. Harmless elsewhere.
    """
    block = np.empty(_LARGEST_REUSED, np.uint8)
    del block
