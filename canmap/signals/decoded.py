"""2. A chunk decoded by itself, before anything is known of the frames before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.extract import Samples
    from canmap.signals.protected import ProtectedFrames
    from canmap.signals.repeats import Repeats


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a chunk tells by itself.

    Attributes:
        chunk: The frames.
        bus: int16[n], the bus of each frame by its number in the plan, -1 for none.
        slot: int32[n], the described message of each frame by its slot in the plan, -1 for none.
        samples: Decoded raw values of the described frames.
        repeats: Frames that came twice, as far as the chunk shows: without bus, slot and samples.
        protected: The frames with a checksum and the verdict on each, slot by slot; None where none came.
        broken: bool[n], frames whose checksum is not right, or is cut off; None where none is.
        error_frames: How many of the frames are error frames.
        remote_frames: How many are remote frames, which hold no values and are no message.
    """

    chunk: FrameChunk
    bus: NDArray[np.int16]
    slot: NDArray[np.int32]
    samples: Samples
    repeats: Repeats
    protected: ProtectedFrames | None
    broken: NDArray[np.bool_] | None
    error_frames: int
    remote_frames: int
