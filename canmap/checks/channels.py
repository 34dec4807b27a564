"""Channels: those that a bus misses or no bus listens to, what no capture covers, what several do at once."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import plural, seconds, times
from canmap.checks.check import Check
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.findings.kinds import DUPLICATE, MISSING, UNKNOWN_ID

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import Bus
    from canmap.stream.view import View

NOT_COVERED = Kind("not_covered", Severity.WARNING)  # of the recorder, as a cut; a note at the ends


class ChannelCheck(Check[None]):
    """Compares the channels of the stream with those of the spec.

    Attributes:
        counts: Frames of each channel so far.
    """

    kinds = (NOT_COVERED,)

    def __init__(self, setting: Setting) -> None:
        self._buses = tuple(setting.spec.buses.values())
        self.counts: Counter[str] = Counter()
        self._found: list[Finding] = []
        self._shared_ns: dict[str, tuple[int, int]] = {}  # channel to the span in which several recorded it

    def fold(self, view: View, _part: None) -> list[Event]:
        """Count the frames of one chunk."""
        prepared = view.prepared
        for name, count in zip(prepared.chunk.channels, prepared.channel_counts.tolist(), strict=True):
            if count:
                self.counts[name] += count
        for span in prepared.chunk.coverage or ():
            if span.recorders > 1 and len(view.clock):
                start_ns, _ = self._shared_ns.get(span.channel, (int(view.clock[0]), 0))
                self._shared_ns[span.channel] = (start_ns, int(view.clock[-1]))
        return []

    def finish(self, end: End) -> list[Event]:
        """Find an error for each bus without a channel, a note for each channel without a bus.

        And a warning for each channel that several captures recorded at the same time: their clocks may
        differ, so that frames that both hold cannot be told from frames that came twice. And what no capture
        covers of the channel of a bus: a warning between two captures, a note at one end of the session.
        """
        there = ", ".join(sorted(self.counts)) or "none"
        listened = {bus.channel for bus in self._buses}
        found = self._found
        for bus in self._buses:
            if bus.channel not in self.counts:
                text = (
                    f"Bus {bus.name} listens to channel {bus.channel}, which the capture does not have; "
                    f"it has {there}. Name the right one with --channel {bus.name}=CHANNEL."
                )
                found.append(_finding(end.session, MISSING, Place(bus=bus.name), text, 0))
        for name in sorted(self.counts.keys() - listened):
            count = self.counts[name]
            text = f"No bus of the spec listens to channel {name}, which has {times(count, 'frame')}."
            found.append(_finding(end.session, UNKNOWN_ID, Place(), text, count))
        found += self._holes(end)
        for name, span_ns in sorted(self._shared_ns.items()):
            if span_ns[0] == span_ns[1]:
                continue  # one goes on where the other ends
            text = (
                f"Several captures recorded channel {name} at the same time; the frames that both hold count "
                "twice where their clocks differ, so inspect them one at a time."
            )
            shared = _finding(end.session, DUPLICATE, Place(), text, self.counts[name])
            found.append(replace(shared, start_ns=span_ns[0], end_ns=span_ns[1]))
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
    found = _finding(session, NOT_COVERED, place, text, 1)
    return replace(found, severity=severity, start_ns=start_ns, end_ns=end_ns)


def _finding(session: SessionClock, kind: Kind, place: Place, text: str, count: int) -> Finding:
    return Finding(
        kind=kind,
        severity=kind.severity,
        place=place,
        start_ns=session.start_ns or 0,
        end_ns=session.now_ns,
        open=kind == MISSING,
        count=count,
        text=text,
    )
