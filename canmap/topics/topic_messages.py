"""Messages of topics as columns: their bytes one after the other, and when each came."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from canmap.topics.topic import Topic


@dataclass(frozen=True, slots=True)
class Payloads:
    """The CDR bytes of some messages, the four bytes of the encapsulation header included.

    Attributes:
        data: uint8[m], all of them, one behind the other.
        start: int64[n + 1], where each begins; the last is m.
    """

    data: NDArray[np.uint8]
    start: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start) - 1


@dataclass(frozen=True, slots=True)
class TopicMessages:
    """Messages of one topic.

    Attributes:
        topic: Which.
        frame: int64[n], number in the session of the frame that each follows from, from 0; what the clock
            alone brings has a number before or behind all frames (`moments.py`).
        clock_ns: int64[n], session clock of each; ascending. By it, then by frame, then by the place of the
            topic in the table, messages of several topics are put in order.
        stamp_ns: int64[n], when that frame was received, as the source wrote it: time of the log.
        payloads: Their bytes.
    """

    topic: Topic
    frame: NDArray[np.int64]
    clock_ns: NDArray[np.int64]
    stamp_ns: NDArray[np.int64]
    payloads: Payloads

    def __len__(self) -> int:
        return len(self.frame)
