"""What a check is: a half for any thread, a half in order, and what most have in common."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, ClassVar, Generic, TypeVar

from canmap.base.dataclass import dataclass
from canmap.findings.episodes import Told

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.findings.episodes import Episodes, Event
    from canmap.findings.finding import Finding, Kind
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import MessageRule, Spec
    from canmap.signals.counted import Counters
    from canmap.signals.plan import DecodePlan
    from canmap.signals.prepared import Prepared
    from canmap.signals.protected import Checksums
    from canmap.signals.repeats import BitRates
    from canmap.stream.view import View
    from canmap.timing.arrivals import Timeline

P = TypeVar("P")


@dataclass(frozen=True, slots=True)
class Setting:
    """What every check is made of.

    Attributes:
        spec: What the vehicle should say.
        plan: The decode plan.
        rules: The message rules, one a stream: those of the slots, then those of multiplexer values.
        rates: Bit rates by channel, where they are known.
        mapped: Slots of the messages that records are made of.
        counters: The counters that the spec promises.
        checksums: The checksums.
    """

    spec: Spec
    plan: DecodePlan
    rules: tuple[MessageRule, ...]
    rates: Mapping[str, BitRates]
    mapped: frozenset[int]
    counters: Counters
    checksums: Checksums

    @property
    def buses(self) -> dict[str, str]:
        """Name of the bus by its channel."""
        return {bus.channel: bus.name for bus in self.spec.buses.values()}


@dataclass(frozen=True, slots=True)
class End:
    """What is known when nothing more comes.

    Attributes:
        timeline: Arrival state of every stream, closed.
        session: The session clock.
    """

    timeline: Timeline
    session: SessionClock


class Check(ABC, Generic[P]):
    """Judges a stream chunk by chunk; `P` is what it works out of a chunk alone.

    Any cutting of the same frames into chunks gives the same events and findings. So `prepare` knows nothing
    but the chunk it is given and writes to nothing, and `fold` carries from chunk to chunk what it needs.

    Attributes:
        kinds: The kinds of its findings, in the order in which findings that start together are sorted.
    """

    kinds: ClassVar[tuple[Kind, ...]]

    @abstractmethod
    def __init__(self, setting: Setting) -> None:
        """Make it for a spec."""

    def prepare(self, prepared: Prepared) -> P | None:
        """Work out what can be worked out from a chunk alone; in any thread, in any order."""
        return None

    @abstractmethod
    def fold(self, view: View, part: P | None) -> list[Event]:
        """Judge the next chunk, of which `part` was prepared, and return what opened and closed."""

    def finish(self, end: End) -> list[Event]:
        """Judge the end of the stream and return what closed; by default all of it is known only now."""
        return [Told(finding) for finding in self.findings()]

    @abstractmethod
    def findings(self) -> list[Finding]:
        """Return all findings so far; what is known only at the end is there after `finish`."""


class EpisodeCheck(Check[P]):
    """A check whose findings are the episodes of its subjects: streams, unless `_until_ns` says otherwise."""

    _episodes: Episodes

    def finish(self, end: End) -> list[Event]:
        """Close what is open; what is faulty to the end is still going on."""
        self._episodes.finish(lambda subject: self._until_ns(end, subject))
        return self._episodes.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _until_ns(self, end: End, subject: int) -> int:
        """Session clock up to which a subject was listened to."""
        return int(end.timeline.until_ns[subject])
