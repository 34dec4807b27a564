"""What must hold for any bytes that are given to a reader: frames, bad lines or one clear error, and soon."""

from __future__ import annotations

import io
import time
from collections import Counter
from typing import TYPE_CHECKING

from canmap.chunks import CUT_SHORT, FrameChunk
from canmap.errors import CaptureError
from canmap.frames.readers import READERS

if TYPE_CHECKING:
    from collections.abc import Iterator

LONGEST_S = 5.0
REASON_WORDS = 400  # characters that a reason may have at most


def outcome(ending: str, data: bytes) -> str:
    """Read `data` as a capture of a format; return what came of it.

    Raises:
        AssertionError: It took too long, or what came is not in order.
    """
    began = time.monotonic()
    found: Counter[str] = Counter()
    text = "fuzz: "
    try:
        for chunk in chunks_of(ending, data):
            sound(chunk)
            found.update(frames=len(chunk), bad=chunk.bad_count)
    except CaptureError as error:
        text = str(error)
        found.update(error=1)
    assert text.startswith("fuzz: "), text
    assert "\n" not in text, text
    assert time.monotonic() - began < LONGEST_S, f"{time.monotonic() - began:.1f} s"
    return (
        "error" if found["error"] else "bad" if found["bad"] else "frames" if found["frames"] else "nothing"
    )


def chunks_of(ending: str, data: bytes) -> Iterator[FrameChunk]:
    """Yield the chunks of a capture that is given as bytes."""
    source = READERS[ending]("fuzz", io.BufferedReader(io.BytesIO(data)), 1, lambda: (0, None))
    try:
        for piece in source.pieces():
            yield piece()
    finally:
        source.close()


def sound(chunk: FrameChunk) -> None:
    """Check that a chunk is in order."""
    count = len(chunk)
    assert chunk.payload.shape in {(count, 8), (count, 64)}
    assert chunk.payload.flags.c_contiguous
    for name, dtype in (
        ("t_ns", "i8"),
        ("can_id", "u4"),
        ("line", "i8"),
        ("length", "u1"),
        ("channel", "u1"),
    ):
        column = getattr(chunk, name)
        assert len(column) == count
        assert column.dtype.str[1:] == dtype
    if count:
        assert int(chunk.channel.max()) < len(chunk.channels)
        assert int(chunk.can_id.max()) < 1 << 29
        assert int(chunk.length.max()) <= 64
        assert int(chunk.kind.max()) <= 2
    assert chunk.bad_count >= len(chunk.bad)
    for bad in chunk.bad:
        assert 0 <= bad.position <= count
        assert bad.reason.strip()
        assert len(bad.reason) < REASON_WORDS
        assert bad.line >= 1 or bad.reason.startswith(CUT_SHORT)
