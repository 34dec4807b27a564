"""What checks and consumers see of a chunk: samples, arrivals, the session clock and records, in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from canmap.frames.session import SessionClock
    from canmap.records.columns import RecordChunk
    from canmap.signals.prepared import Prepared
    from canmap.timing.arrivals import Arrivals, Timeline
    from canmap.timing.holes import Hole


@dataclass(frozen=True, slots=True)
class View:
    """One chunk as the checks and the consumers see it.

    Attributes:
        prepared: The chunk and what was prepared from it alone.
        clock: int64[n], session clock of every frame of the chunk, in ns.
        arrivals: The described frames by stream.
        timeline: Arrival state of every stream, this chunk included.
        session: The clock, this chunk included.
        before_ns: The clock before this chunk.
        records: The records that the chunk stamped, with finished values, by name; one that it did not stamp
            is not there.
        holes: Those that end where the chunk begins: spans in which no capture covers a channel.
        first_frame: Number of its first frame in the session.
    """

    prepared: Prepared
    clock: NDArray[np.int64]
    arrivals: Arrivals
    timeline: Timeline
    session: SessionClock
    before_ns: int
    records: Mapping[str, RecordChunk]
    holes: tuple[Hole, ...] = ()
    first_frame: int = 0
