"""What is wrong with the frames themselves: lengths, identifiers, stamps and lines that cannot be read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.episodes import Closed, Episode, Episodes, Opened, Told
from canmap.checks.finding import SEVERITY, Finding, Kind, Place
from canmap.checks.words import seconds, times

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canmap.arrivals import Timeline
    from canmap.checks.episodes import Event
    from canmap.checks.view import View
    from canmap.chunks import BadLine
    from canmap.session import SessionClock, TimeStep
    from canmap.signals.plan import DecodePlan
    from canmap.spec.model import MessageRule

LISTED_IDS = 64  # unknown identifiers that get a finding of their own
LISTED_LINES = 20  # bad lines that do


class LengthCheck:
    """Judges whether payloads are as long as described.

    Args:
        plan: The decode plan.
    """

    def __init__(self, plan: DecodePlan) -> None:
        self._plan = plan
        self._episodes = Episodes(self._describe, self._excess)
        self._timeline: Timeline | None = None

    def fold(self, view: View) -> list[Event]:
        """Judge the payloads of one chunk."""
        self._timeline = view.timeline
        wrong = view.prepared.wrong_length
        arrivals = view.arrivals
        for place, slot in enumerate(arrivals.streams.tolist()):
            if slot >= len(self._plan.slots) or (wrong is None and not self._episodes.open_subjects):
                break
            begin = int(arrivals.start[place])
            stop = begin + int(arrivals.count[place])
            faulty = np.zeros(stop - begin, np.bool_) if wrong is None else wrong[begin:stop]
            if slot in self._episodes.open_subjects or faulty.any():
                self._fold_slot(view, slot, int(arrivals.seen[place]), slice(begin, stop), faulty)
        return self._episodes.events()

    def finish(self) -> list[Event]:
        """Close what is open."""
        timeline = self._timeline
        self._episodes.finish(lambda slot: int(timeline.until_ns[slot]) if timeline else 0)
        return self._episodes.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _fold_slot(self, view: View, slot: int, seen: int, frames: slice, faulty: np.ndarray) -> None:
        clock = view.arrivals.clock[frames]
        rows = view.prepared.samples.rows[frames]
        length = view.prepared.chunk.length[rows]
        self._episodes.judge(
            subject=slot,
            seen=seen,
            faulty=faulty,
            good=~faulty,
            clock=clock,
            worst=lambda first, last: self._episodes.worse(
                slot, *(int(f(length[first : last + 1][faulty[first : last + 1]])) for f in (np.min, np.max))
            ),
            line=lambda first: int(view.prepared.chunk.line[rows[first]]),
        )

    def _excess(self, slot: int, length: float) -> float:
        return abs(length - self._plan.slots[slot].length)

    def _describe(self, episode: Episode) -> Finding:
        slot = self._plan.slots[episode.subject]
        always = episode.from_start and episode.still
        had, when = ("has", " from the start") if always else ("had", "")
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        what = "the signals that fit are used" if episode.worst < slot.length else "the rest is not used"
        size = times(int(episode.worst), "byte")
        return episode.finding(
            Kind.LENGTH,
            Place(bus=slot.bus_name, message=slot.message.name),
            value=float(episode.worst),
            limit=float(slot.length),
            text=f"{slot.message.name} {had} {size} instead of {slot.length}{when}; {what}.",
        )


class StrangerCheck:
    """Notes the identifiers and channels that no description knows.

    Args:
        buses: Bus names in the plan's order.
        channels: Channel of each.
        known: Buses whose description knows an identifier, by the identifier and whether it has 29 bits.
    """

    def __init__(
        self,
        buses: Sequence[str],
        channels: Sequence[str],
        known: Mapping[tuple[int, bool], Sequence[str]] | None = None,
    ) -> None:
        self._known = known or {}
        self._buses, self._channels = tuple(buses), tuple(channels)
        self._ids: dict[int, tuple[int, int, int]] = {}
        self._described = frozenset(channels)
        self.unlisted = 0  # frames of identifiers beyond MOST_IDS

    @property
    def counts(self) -> list[tuple[str, int, bool, int]]:
        """(channel, identifier, extended, frames) of every unknown identifier, the most frequent first."""
        rows = [
            (self._channels[key >> 32], key & 0x1FFF_FFFF, bool(key >> 31 & 1), count)
            for key, (count, _, _) in self._ids.items()
        ]
        return sorted(rows, key=lambda row: (-row[3], row))

    def fold(self, view: View) -> list[Event]:
        """Count the unknown identifiers of one chunk."""
        unknown = view.prepared.unknown
        columns = (unknown.keys, unknown.counts, view.clock[unknown.first], view.clock[unknown.last])
        order = np.argsort(unknown.first)  # as they arrived, so that any cutting keeps the same ones
        for key, count, first_ns, last_ns in zip(
            *(column[order].tolist() for column in columns), strict=True
        ):
            known = self._ids.get(key)
            if known is not None:
                self._ids[key] = (known[0] + count, known[1], last_ns)
            elif len(self._ids) < MOST_IDS:
                self._ids[key] = (count, first_ns, last_ns)
            else:
                self.unlisted += count
        return []

    def finish(self) -> list[Event]:
        """Return what is known only at the end: all of it."""
        return [Told(finding) for finding in self.findings()]

    def findings(self) -> list[Finding]:
        """Return one note for each unknown identifier, and one for those that are too many to list."""
        listed = sorted(self._ids, key=lambda key: (self._ids[key][1], key))
        found = [self._describe(key) for key in listed[:LISTED_IDS]]
        rest = [self._ids[key] for key in listed[LISTED_IDS:]]
        if rest:
            count = sum(frames for frames, _, _ in rest) + self.unlisted
            more = times(len(rest), "more unknown identifier")
            more = f"More than {more}" if self.unlisted else more
            found.append(
                _note(
                    Place(bus=None),
                    (min(first for _, first, _ in rest), max(last for _, _, last in rest)),
                    count,
                    f"{more} came in {times(count, 'frame')}.",
                )
            )
        return found

    def _describe(self, key: int) -> Finding:
        count, first_ns, last_ns = self._ids[key]
        bus = self._buses[key >> 32]
        can_id, extended = key & 0x1FFF_FFFF, bool(key >> 31 & 1)
        name = identifier(can_id, extended=extended)
        text = f"The description of bus {bus} does not know {name}, which came {times(count, 'time')}"
        if others := self._known.get((can_id, extended)):
            text += f"; that of bus {' and '.join(others)} does, so check which channel each bus has"
        text += "."
        return _note(Place(bus=bus), (first_ns, last_ns), count, text)


def buses_by_identifier(rules: Iterable[MessageRule]) -> dict[tuple[int, bool], list[str]]:
    """Return the buses whose description knows an identifier, by it and whether it has 29 bits."""
    buses: dict[tuple[int, bool], list[str]] = {}
    for rule in rules:
        named = buses.setdefault((rule.message.can_id, rule.message.extended), [])
        if rule.bus not in named:
            named.append(rule.bus)
    return buses


MOST_IDS = 4096  # unknown identifiers that are counted one by one


def identifier(can_id: int, *, extended: bool) -> str:
    """Return an identifier in hexadecimal: three digits, or eight for 29 bits."""
    return f"{can_id:08X}" if extended else f"{can_id:03X}"


def _note(place: Place, span_ns: tuple[int, int], count: int, text: str) -> Finding:
    return Finding(
        kind=Kind.UNKNOWN_ID,
        severity=SEVERITY[Kind.UNKNOWN_ID],
        place=place,
        start_ns=span_ns[0],
        end_ns=span_ns[1],
        count=count,
        text=text,
    )


class LineCheck:
    """Reports the lines of the captures that could not be read, and the captures that end too early.

    Attributes:
        count: Bad lines so far.
    """

    def __init__(self) -> None:
        self._listed: list[Finding] = []
        self._truncated: list[Finding] = []
        self._more_from_ns: int | None = None
        self._now_ns = 0
        self.count = 0

    def fold(self, view: View) -> list[Event]:
        """Take in the bad lines of one chunk."""
        chunk = view.prepared.chunk
        self._now_ns = view.session.now_ns
        if not chunk.bad_count:
            return []
        events: list[Event] = []
        for bad in chunk.bad:
            at_ns = view.before_ns if bad.position == 0 else int(view.clock[bad.position - 1])
            if bad.truncated:
                text = f"{bad.capture} {bad.reason.removeprefix('it ')}."
                self._truncated.append(self._finding(Kind.TRUNCATED, (at_ns, at_ns), 1, text, bad.line))
                events.append(Told(self._truncated[-1], at_ns))
            elif len(self._listed) < LISTED_LINES:
                self._listed.append(
                    self._finding(Kind.BAD_LINE, (at_ns, at_ns), 1, _unread(bad), bad.line or None)
                )
                events.append(Told(self._listed[-1], at_ns))
            elif self._more_from_ns is None:
                self._more_from_ns = at_ns
        self.count += chunk.bad_count - sum(bad.truncated for bad in chunk.bad)
        return events

    def finish(self) -> list[Event]:
        """Return what was too much to list."""
        return [Told(finding) for finding in self._rest()]

    def findings(self) -> list[Finding]:
        """Return one finding for each listed line, one for the rest, and one for each truncated capture."""
        return [*self._listed, *self._rest(), *self._truncated]

    def _rest(self) -> list[Finding]:
        rest = self.count - len(self._listed)
        if not rest or self._more_from_ns is None:
            return []
        text = f"{times(rest, 'more line')} cannot be read."
        return [self._finding(Kind.BAD_LINE, (self._more_from_ns, self._now_ns), rest, text, None)]

    @staticmethod
    def _finding(kind: Kind, span_ns: tuple[int, int], count: int, text: str, line: int | None) -> Finding:
        return Finding(
            kind=kind,
            severity=SEVERITY[kind],
            place=Place(),
            start_ns=span_ns[0],
            end_ns=span_ns[1],
            count=count,
            text=text,
            line=line,
        )


def _unread(bad: BadLine) -> str:
    """The sentence of a bad line, or of a capture that has none (line 0)."""
    if not bad.line:
        return f"{bad.capture} {bad.reason.removeprefix('it ')}."
    return f"Line {bad.line} of {bad.capture} cannot be read: {bad.reason}."


class TimeCheck:
    """Reports the steps of the source's clock."""

    def __init__(self) -> None:
        self._session: SessionClock | None = None
        self._begun = self._ended = 0

    def fold(self, view: View) -> list[Event]:
        """Report the steps that have begun, and those that have ended."""
        self._session = view.session
        steps = view.session.steps
        ended = [step for step in steps if step.end_ns is not None]
        events: list[Event] = [
            Opened(self._describe(step, begins=True), step.start_ns) for step in steps[self._begun :]
        ]
        events += [Closed(self._describe(step), step.end_ns) for step in ended[self._ended :]]
        self._begun, self._ended = len(steps), max(self._ended, len(ended))
        return events

    def finish(self) -> list[Event]:
        """Report the step that had not."""
        if self._session is None:
            return []
        return [Closed(self._describe(step)) for step in self._session.steps if step.end_ns is None]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [] if self._session is None else [self._describe(step) for step in self._session.steps]

    def _describe(self, step: TimeStep, *, begins: bool = False) -> Finding:
        now_ns = self._session.now_ns if self._session else step.start_ns
        way = "back" if step.step_ns < 0 else "forward"
        end = ", and had not caught up at the end" if step.end_ns is None else ", until they had caught up"
        end = "" if begins else end
        again = f" ({times(step.count, 'step')})" if step.count > 1 and not begins else ""
        return Finding(
            kind=Kind.TIME_ORDER,
            severity=SEVERITY[Kind.TIME_ORDER],
            place=Place(),
            start_ns=step.start_ns,
            end_ns=now_ns if step.end_ns is None else step.end_ns,
            open=step.end_ns is None,
            count=step.count,
            value=step.step_ns / 1e9,
            text=(
                f"The stamps stepped {way} by {seconds(abs(step.step_ns))}{again}{end}; "
                "the session clock went on from where it was."
            ),
        )
