"""2. What a chunk needs to know of the frames before it, so that it can be prepared in any thread.

It is taken from chunk to chunk in order, between parsing and preparing, and is little: the newest frame of
each channel, which a recorder may have written down once more, and the newest of each counter, which a sender
may repeat.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.signals.counted import Tails

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.frames.chunks import FrameChunk


@dataclass(frozen=True, slots=True)
class Before:
    """What came before a chunk.

    Attributes:
        newest: The newest frame of each channel on which frames that came twice are looked for.
        counters: What came of every sequence that a counter counts.
    """

    newest: Mapping[str, FrameChunk] = field(default_factory=dict)
    counters: Tails = field(default_factory=Tails)
