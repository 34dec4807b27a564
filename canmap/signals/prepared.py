"""A chunk with everything that does not depend on what came before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.extract import Samples
    from canmap.signals.repeats import Repeats


HIGHEST = np.iinfo(np.int64).max


LOWEST = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class Prepared:
    """A chunk with everything that does not depend on what came before it.

    Attributes:
        chunk: The frames.
        bus: int16[n], the bus of each frame by its number in the plan, -1 for none.
        slot: int32[n], the described message of each frame by its slot in the plan, -1 for none.
        samples: Decoded raw values.
        low: int64[columns], smallest raw value of each column in the chunk, HIGHEST where it has none.
        high: int64[columns], largest, LOWEST where it has none.
        joins: For each (stamp slot, group), the newest sample of the group at each frame of the slot, as
            an index into the group's samples; -1 where it came before the chunk. None: the sample itself.
        channel_counts: int64[channels], frames of each of the chunk's channels.
        error_frames: How many of the frames are error frames.
        remote_frames: How many are remote frames, which hold no values and are no message.
        repeats: Frames that came twice; they are in no samples and have neither bus nor slot.
        parts: What each check prepared of the chunk, in the order of the checks.
    """

    chunk: FrameChunk
    bus: NDArray[np.int16]
    slot: NDArray[np.int32]
    samples: Samples
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    joins: Mapping[tuple[int, int], NDArray[np.intp] | None]
    channel_counts: NDArray[np.int64]
    error_frames: int
    remote_frames: int
    repeats: Repeats
    parts: tuple[object, ...] = ()
