"""What no capture covers of a channel, and what several captures cover at once."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import plural, seconds
from canmap.checks.check import Check
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.findings.kinds import DUPLICATE

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import Bus
    from canmap.stream.view import View

NOT_COVERED = Kind("not_covered", Severity.WARNING)  # of the recorder, as a cut; a note at the ends


class NotCovered(Check[None]):
    """Finds where the captures leave a channel of a bus uncovered, and where they cover it twice."""

    kinds = (NOT_COVERED,)

    def __init__(self, setting: Setting) -> None:
        self._buses = tuple(setting.spec.buses.values())
        self._found: list[Finding] = []
        self._frames: Counter[str] = Counter()
        self._shared_ns: dict[str, tuple[int, int]] = {}  # channel to the span in which several recorded it
        self._recorders: Counter[str] = Counter()  # channel to the most captures that did at one time

    def fold(self, view: View, _part: None) -> list[Event]:
        """Keep which channels several captures recorded in one chunk."""
        prepared = view.prepared
        for name, count in zip(prepared.chunk.channels, prepared.channel_counts.tolist(), strict=True):
            self._frames[name] += count
        for span in prepared.chunk.coverage or ():
            if span.recorders > 1 and len(view.clock):
                start_ns, _ = self._shared_ns.get(span.channel, (int(view.clock[0]), 0))
                self._shared_ns[span.channel] = (start_ns, int(view.clock[-1]))
                self._recorders[span.channel] = max(self._recorders[span.channel], span.recorders)
        return []

    def finish(self, end: End) -> list[Event]:
        """Find a warning between two captures, a note at one end of the session, for what none covers.

        And a warning for each channel that several captures recorded at the same time: their clocks may
        differ, so that frames that both hold cannot be told from frames that came twice.
        """
        self._found += self._holes(end)
        for name, span_ns in sorted(self._shared_ns.items()):
            if span_ns[0] == span_ns[1]:
                continue  # one goes on where the other ends
            text = (
                f"Several captures recorded channel {name} at the same time; the frames that both hold count "
                "twice where their clocks differ, so inspect them one at a time."
            )
            place = Place(bus=next((bus.name for bus in self._buses if bus.channel == name), None))
            found = _finding(DUPLICATE, place, span_ns, text, count=self._frames[name])
            self._found.append(replace(found, facts={"captures": self._recorders[name]}))
        return super().finish(end)

    def findings(self) -> list[Finding]:
        """Return what `finish` found."""
        return list(self._found)

    def _holes(self, end: End) -> list[Finding]:
        """Return one finding for each span that is not covered, whatever the number of its channels."""
        spans: dict[tuple[int, int, bool], list[Bus]] = {}
        for hole in end.timeline.holes.found:
            buses = [bus for bus in self._buses if bus.channel == hole.channel]
            spans.setdefault((hole.start_ns, hole.end_ns, hole.between), []).extend(buses)
        return [_hole(end.session, *span, buses) for span, buses in spans.items() if buses]


def _hole(session: SessionClock, start_ns: int, end_ns: int, between: bool, buses: list[Bus]) -> Finding:
    where = "at the beginning" if start_ns == session.start_ns else "at the end"
    where = "between two captures" if between else where
    channels = sorted({bus.channel for bus in buses})
    text = (
        f"No capture covers {plural(len(channels), 'channel')} {' and '.join(channels)} "
        f"for {seconds(end_ns - start_ns)} {where}; nothing is judged there."
    )
    place = Place(bus=buses[0].name) if len(buses) == 1 else Place()
    severity = Severity.WARNING if between else Severity.NOTE
    return _finding(NOT_COVERED, place, (start_ns, end_ns), text, severity=severity)


def _finding(
    kind: Kind,
    place: Place,
    span_ns: tuple[int, int],
    text: str,
    *,
    count: int = 1,
    severity: Severity | None = None,
) -> Finding:
    return Finding(
        kind=kind,
        severity=severity or kind.severity,
        place=place,
        start_ns=span_ns[0],
        end_ns=span_ns[1],
        count=count,
        text=text,
    )
