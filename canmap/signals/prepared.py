"""A chunk with everything that depends on it, and on what came shortly before it, alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.counted import OddCounters
    from canmap.signals.extract import Samples
    from canmap.signals.protected import ProtectedFrames
    from canmap.signals.repeats import Repeats

LOWEST, HIGHEST = np.iinfo(np.int64).min, np.iinfo(np.int64).max  # of raw values


@dataclass(frozen=True, slots=True)
class Prepared:
    """A chunk with everything that depends on it and on what came shortly `Before` it alone.

    Attributes:
        chunk: The frames.
        bus: int16[n], the bus of each frame by its number in the plan, -1 for none.
        slot: int32[n], the described message of each frame by its slot in the plan, -1 for none.
        arrived: Decoded raw values of every described frame.
        samples: Those of the frames that are used: without the failed ones.
        failed: intp[k], the failed frames, ascending: their checksum is wrong, or they repeat their counter.
            They did come, but nothing of what they say is believed, and they are no fresh demand.
        protected: The frames with a checksum and the verdict on each, slot by slot in the order of `arrived`;
            None where none came.
        odd_counters: By number of the counter, the frames that are not simply its next.
        low: int64[columns], smallest raw value of each column of `samples`, HIGHEST where it has none.
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
    arrived: Samples
    samples: Samples
    failed: NDArray[np.intp]
    protected: ProtectedFrames | None
    odd_counters: Mapping[int, OddCounters]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    joins: Mapping[tuple[int, int], NDArray[np.intp] | None]
    channel_counts: NDArray[np.int64]
    error_frames: int
    remote_frames: int
    repeats: Repeats
    parts: tuple[object, ...] = ()
