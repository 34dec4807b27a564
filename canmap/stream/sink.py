"""What a stream of frames led to, and where that may go: a file, a screen, a program's own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from canmap.base.dataclass import public_dataclass

if TYPE_CHECKING:
    from canmap.findings.episodes import Event
    from canmap.mapping.model import Spec
    from canmap.records.change import Change
    from canmap.records.columns import RecordChunk


@public_dataclass(frozen=True, slots=True)
class Step:
    """What one chunk of frames led to.

    Attributes:
        records: The records that it stamped, one chunk a kind, in the order of the spec.
        events: Findings that opened or closed.
        now_ns: Session clock after it, in ns.
        frames: Frames of the chunk.
        changes: States, yes or no and codes of all records that changed, by time, as far as they are listed
            (the first 200 of each field); how long the new value holds is not known yet.
    """

    records: tuple[RecordChunk, ...]
    events: tuple[Event, ...]
    now_ns: int
    frames: int
    changes: tuple[Change, ...] = ()


@public_dataclass(frozen=True, slots=True)
class About:
    """What a sink is told of a run before its first step.

    Attributes:
        spec: What the vehicle should say.
        records: Names of the records that the steps will hold, in the order of the spec.
        zero_ns: Session clock of time 0, in ns; 0 where no frame came.
        start_ns: Session clock of the first frame that is used, in ns: later where only a part is used.
    """

    spec: Spec
    records: tuple[str, ...]
    zero_ns: int
    start_ns: int


class Sink(Protocol):
    """Takes what a run leads to.

    What it makes of the steps must not depend on where the stream was cut into them: a file that it writes
    holds the same bytes for the same records and events, however many of them come in a step.
    """

    def open(self, about: About) -> None:
        """Begin; once, when the first frame has come, or at the end of a run without any.

        A run that fails before its first frame opens none.
        """

    def write(self, step: Step) -> None:
        """Take what the next chunk led to; in order, and last what the end led to."""

    def close(self, *, whole: bool) -> None:
        """End; once after every `open`, also after one that failed.

        Args:
            whole: Whether the run came to its end, all sinks included, and so to a result; a run that the
                user ends early with one does too. False: it failed.
        """
