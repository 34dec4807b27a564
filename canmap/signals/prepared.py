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
class Tally:
    """How often each of some keys occurs in a chunk, and where first and last.

    Attributes:
        keys: int64[k], ascending.
        counts: int64[k], frames of each.
        first: intp[k], index in the chunk of the first of each.
        last: intp[k], index of the last.
    """

    keys: NDArray[np.int64]
    counts: NDArray[np.int64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Prepared:
    """A chunk with everything that does not depend on what came before it.

    Attributes:
        chunk: The frames.
        samples: Decoded raw values.
        low: int64[columns], smallest raw value of each column in the chunk, HIGHEST where it has none.
        high: int64[columns], largest, LOWEST where it has none.
        wrong_length: bool[m] in slot order, payload shorter or longer than described; None where none is.
        joins: For each (stamp slot, group), the newest sample of the group at each frame of the slot, as
            an index into the group's samples; -1 where it came before the chunk. None: the sample itself.
        unknown: Identifiers that the description of their bus does not know; keys are bus << 32 |
            extended << 31 | identifier.
        channel_counts: int64[channels], frames of each of the chunk's channels.
        error_frames: How many of the frames are error frames.
        remote_frames: How many are remote frames, which hold no values and are no message.
        repeats: Frames that came twice; they are in no samples and no counts of identifiers.
        addresses: With which the messages of parameter groups came; keys are slot << 16 | destination << 8 |
            source, the destination as in the identifier (a group extension where the group has none). None
            where there are no such messages.
    """

    chunk: FrameChunk
    samples: Samples
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    wrong_length: NDArray[np.bool_] | None
    joins: Mapping[tuple[int, int], NDArray[np.intp] | None]
    unknown: Tally
    channel_counts: NDArray[np.int64]
    error_frames: int
    remote_frames: int
    repeats: Repeats
    addresses: Tally | None
