"""Messages that a gateway passes on: copies that come late, were changed on the way, or do not change.

What a gateway does not pass on is told by the silence of the copy, and by its counter. A recorder that
fetches frames and stamps them then may make a copy look late, by the time from one fetch to the next; that
is known at the end only, so what it explains is left out there.
"""

from __future__ import annotations

from dataclasses import replace
from enum import IntEnum
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import seconds, times
from canmap.checks.arrivals.fetches import Fetches
from canmap.checks.check import Check
from canmap.checks.common.pages import on_page, paged
from canmap.checks.gateways.copies import FAR_NS, NEVER_NS, Copies
from canmap.findings.episodes import Episodes, Opened, Told
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.gateways.copies import Compared
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.model import MessageRule
    from canmap.mapping.relay_rules import RelayRule
    from canmap.stream.view import View

RELAY = Kind("relay", Severity.ERROR)  # late: a warning; clocks that are apart: a note
SURE = 10  # copies that are of an original, from which on one that is of none was changed on its way
LEAST = 20  # copies that are of no original, from which on that is told of all of them
STUCK_NS = 500_000_000  # a copy has not changed for so long, at least, before it is called frozen
STUCK_TURNS = 4  # and for so many of the copies' periods, and of the times that one may take


class _Wrong(IntEnum):
    """What may be wrong with copies."""

    LATE = 0
    CHANGED = 1
    FROZEN = 2
    APART = 3  # the clocks of those who recorded both


_SEVERITY = {
    _Wrong.LATE: Severity.WARNING,
    _Wrong.CHANGED: RELAY.severity,
    _Wrong.FROZEN: RELAY.severity,
    _Wrong.APART: Severity.NOTE,
}


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What is said of copies in one respect.

    Attributes:
        faulty: bool[n], which are wrong.
        good: bool[n], which are right.
        value_ns: int64[n], by how much.
        since_ns: int64[n], from when on.
    """

    faulty: NDArray[np.bool_]
    good: NDArray[np.bool_]
    value_ns: NDArray[np.int64]
    since_ns: NDArray[np.int64]


class _Course:
    """What is known of the copies of one message so far.

    Attributes:
        rule: The message that is a copy.
        relay: What the spec says of it.
        copies: The copies.
        first_ns: Session clock of the first copy that is judged.
        judged: Copies that must be of an original.
        of_one: Those of them that are.
        is_sure: Enough of them are.
        is_apart: A copy came before its original.
        seen: All copies.
        line: Line of the capture of the first copy that is judged.
        last_ns: Session clock of the newest that is judged.
    """

    def __init__(self, rule: MessageRule, relay: RelayRule, setting: Setting) -> None:
        self.rule, self.relay = rule, relay
        self.copies = Copies(rule, relay, setting)
        self.first_ns: int | None = None
        self.last_ns = self.line = 0
        self.judged = self.of_one = self.seen = 0
        self.is_sure = self.is_apart = False
        self._stuck_ns = NEVER_NS  # since when copies have not changed though originals did
        longest_ns = max(self.copies.window_ns, self.copies.turn_ns)
        self._stuck_after_ns = max(STUCK_NS, STUCK_TURNS * longest_ns)

    def verdicts(self, copies: Compared) -> dict[_Wrong, _Verdict]:
        """Judge the next copies."""
        near = copies.lag_ns <= self.copies.window_ns
        whole = copies.whole & ~near
        of_old = whole & (copies.lag_ns < FAR_NS) & (copies.lag_ns <= copies.lead_ns)
        early = whole & (copies.lead_ns < copies.lag_ns)
        of_none = whole & ~of_old & ~early
        sure = self._count(copies, near, of_old | early, of_none)
        once = ~copies.again
        early &= once
        apart = np.logical_or.accumulate(np.append(self.is_apart, early))[1:]
        self.is_apart = bool(apart[-1])
        late = of_old & once & ~apart & (self.relay.delay_ns is not None)
        late &= copies.lag_ns - copies.off_ns > (self.relay.delay_ns or 0)
        stuck_ns = self._stuck_since(copies, copies.again & whole & ~early)
        stuck = (stuck_ns != NEVER_NS) & (copies.clock - stuck_ns > self._stuck_after_ns) & whole
        begin_ns = copies.clock
        lag_ns, lead_ns = copies.lag_ns, copies.lead_ns
        nothing = np.zeros(len(copies), np.bool_)
        return {
            _Wrong.LATE: _Verdict(late, near, lag_ns, begin_ns),
            _Wrong.CHANGED: _Verdict(
                of_none & once & sure, near | of_old | early, np.zeros_like(lag_ns), begin_ns
            ),
            _Wrong.FROZEN: _Verdict(stuck & sure, once, copies.clock - stuck_ns, stuck_ns),
            _Wrong.APART: _Verdict(early, nothing, lead_ns, begin_ns),
        }

    def _count(
        self, copies: Compared, near: NDArray[np.bool_], other: NDArray[np.bool_], none: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Return bool[n], whether enough copies up to each are known to be of an original."""
        told = near | other | none
        if self.first_ns is None and told.any():
            first = int(told.argmax())
            self.first_ns, self.line = int(copies.clock[first]), int(copies.line[first])
        if told.any():
            self.last_ns = int(copies.clock[told][-1])
        judged, of_one = self.judged + told.cumsum(), self.of_one + (near | other).cumsum()
        self.judged, self.of_one = int(judged[-1]), int(of_one[-1])
        enough = (of_one >= SURE) & (2 * of_one >= judged)
        sure = np.logical_or.accumulate(np.append(self.is_sure, enough))[1:]
        self.is_sure = bool(sure[-1])
        return sure

    def _stuck_since(self, copies: Compared, stuck: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return int64[n], since when each copy has not changed though its original did; NEVER_NS: it did."""
        count = stuck.cumsum() + (self._stuck_ns != NEVER_NS)
        begins = np.where(copies.again, 0, count)
        in_run = count - np.maximum.accumulate(begins)
        first = stuck & (in_run == 1)
        held = np.where(first, copies.clock, NEVER_NS)
        held[0] = max(int(held[0]), self._stuck_ns if copies.again[0] else NEVER_NS)
        since_ns = np.where(in_run > 0, np.maximum.accumulate(held), NEVER_NS)
        self._stuck_ns = int(since_ns[-1])
        return since_ns


class RelayCheck(Check[None]):
    """Judges every message that is a copy."""

    kinds = (RELAY,)

    def __init__(self, setting: Setting) -> None:
        courses = [_Course(rule, rule.relay_of, setting) for rule in setting.spec.messages if rule.relay_of]
        self._courses = [course for course in courses if course.copies.comparable]
        self._fetches = Fetches(tuple(dict.fromkeys(chain(*(one.copies.channels for one in self._courses)))))
        # Their samples are judged later than they come; their times are those at which they are judged.
        self._episodes = Episodes(self._describe)
        self._ended: list[Finding] = []

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the copies of which it is known by now what they are of."""
        if self._courses:
            self._fetches.fold(view)
        for number, course in enumerate(self._courses):
            course.copies.take(view)
            self._judge(number, course.copies.ripe(view.session.now_ns))
        return self._episodes.events()

    def finish(self, end: End) -> list[Event]:
        """Judge what is left, and close what is open."""
        for number, course in enumerate(self._courses):
            self._judge(number, course.copies.ripe(end.session.now_ns + course.copies.ahead_ns + 1))
        self._episodes.finish(lambda subject: self._until_ns(end, subject))
        now_ns = end.session.now_ns
        events: list[Event] = [
            replace(one, known_ns=min(one.known_ns, now_ns)) if isinstance(one, Opened) else one
            for one in self._episodes.events()
        ]
        self._ended = [self._of_none(course) for course in self._courses if self._is_of_none(course)]
        return [*events, *map(Told, self._ended)]

    def findings(self) -> list[Finding]:
        """Return all findings so far, without what only seems late because the recorder fetched frames."""
        return [*filter(self._is_told, self._episodes.findings()), *self._ended]

    def _is_told(self, finding: Finding) -> bool:
        if finding.facts.get("wrong") != _Wrong.LATE.name.lower():
            return True
        name = finding.place.bus, finding.place.message
        course = next(one for one in self._courses if (one.rule.bus, one.rule.message.name) == name)
        fetched_ns = max(self._fetches.apart_ns(channel) for channel in course.copies.channels)
        return (finding.value or 0.0) > ((course.relay.delay_ns or 0) + fetched_ns) / 1e9

    def _until_ns(self, end: End, subject: int) -> int:
        return int(end.timeline.until_ns[self._courses[subject // len(_Wrong)].copies.slot])

    def _judge(self, number: int, copies: Compared | None) -> None:
        if copies is None:
            return
        course = self._courses[number]
        for wrong, verdict in course.verdicts(copies).items():
            subject = len(_Wrong) * number + wrong
            if subject in self._episodes.open_subjects or verdict.faulty.any():
                self._tell(subject, course, copies, verdict)
        course.seen += len(copies)

    def _tell(self, subject: int, course: _Course, copies: Compared, verdict: _Verdict) -> None:
        self._episodes.judge(
            subject=subject,
            seen=course.seen,
            faulty=verdict.faulty,
            good=verdict.good & ~verdict.faulty,
            clock=copies.clock + course.copies.ahead_ns,
            worst=lambda first, last: int(
                verdict.value_ns[first : last + 1][verdict.faulty[first : last + 1]].max()
            ),
            line=lambda first: int(copies.line[first]),
            since=verdict.since_ns,
            first_ns=course.first_ns,
        )

    def _is_of_none(self, course: _Course) -> bool:
        return course.judged >= LEAST and not course.is_sure

    def _of_none(self, course: _Course) -> Finding:
        """What is said of copies hardly any of which is of an original."""
        rule, original = course.rule, course.copies.original
        none = course.judged - course.of_one
        text = (
            f"{none} of {times(course.judged, 'frame')} of {rule.message.name} said what no "
            f"{original.message.name} near it did: the clocks of those who recorded them are apart, or "
            "the gateway does not copy it as it is"
        )
        return Finding(
            kind=RELAY,
            severity=Severity.WARNING,
            place=Place(bus=rule.bus, message=rule.message.name),
            start_ns=course.first_ns or 0,
            end_ns=course.last_ns,
            count=none,
            text=f"{on_page(text, course.relay.page)}.",
            line=course.line,
            facts=_facts(course, wrong="of_none", frames=course.judged),
        )

    def _describe(self, episode: Episode) -> Finding:
        number, wrong = divmod(episode.subject, len(_Wrong))
        course, wrong = self._courses[number], _Wrong(wrong)
        worst_ns = int(episode.worst)
        limit_ns = course.relay.delay_ns if wrong is _Wrong.LATE else None
        text = _sentence(episode, course, wrong)
        text += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
        found = episode.finding(
            RELAY,
            Place(bus=course.rule.bus, message=course.rule.message.name),
            f"{on_page(text, course.relay.page)}.",
            value=None if wrong is _Wrong.CHANGED else worst_ns / 1e9,
            limit=None if limit_ns is None else limit_ns / 1e9,
            severity=_SEVERITY[wrong],
        )
        end_ns = found.end_ns
        if not episode.still and episode.end_ns is not None:
            end_ns = max(found.start_ns, end_ns - course.copies.ahead_ns)
        facts = _facts(course, wrong=wrong.name.lower())
        if episode.more:
            facts["more"] = episode.more
        return replace(found, end_ns=end_ns, facts=facts)


def _sentence(episode: Episode, course: _Course, wrong: _Wrong) -> str:
    """Say what was wrong with the copies of one message, without a full stop."""
    copy, original = course.rule.message.name, course.copies.original.message.name
    by = seconds(int(episode.worst))
    if wrong is _Wrong.CHANGED:
        return (
            f"{times(episode.count, 'frame')} of {copy} said what no {original} had said: changed on the way"
        )
    if wrong is _Wrong.FROZEN:
        return f"{copy} repeated one old frame of {original} for {by}, while that went on"
    if wrong is not _Wrong.LATE:
        return (
            f"{copy} came up to {by} before {original}, of which it is the copy: the clocks of those who "
            "recorded them are apart, and its delay is not checked"
        )
    late = f"{copy} came up to {by} after {original}, of which it is the copy"
    limit = f"it may take {seconds(course.relay.delay_ns or 0)}"
    if episode.from_start and episode.still:
        return f"{late}, from the start; {limit}: maybe the clocks of those who recorded them are apart"
    often = f", {times(episode.count, 'time')}" if episode.count > 1 else ""
    return f"{late}{often}; {limit}"


def _facts(course: _Course, **told: str | float) -> dict[str, str | float]:
    """What sentences about a copy say beside value and limit."""
    facts: dict[str, str | float] = {"original": course.relay.message.message, **told}
    if course.relay.nominal_ns is not None:
        facts["nominal_s"] = course.relay.nominal_ns / 1e9
    return paged(facts, course.relay.page)
