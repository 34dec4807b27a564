"""The part of the page that tells one episode: cause, course, what happened, what decides, what to check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import first_of, listed, number, plural, times
from canmap.diagnosis.cause_table import EXCLUDES, Caution, cause_table
from canmap.diagnosis.facts.evidence import Atom
from canmap.diagnosis.facts.onset_times import Onset, began, changed
from canmap.diagnosis.scoring import APART, LEAST, Decision
from canmap.diagnosis.telling.deciding import deciding_measurement
from canmap.diagnosis.telling.evidence_words import headline, sentence
from canmap.diagnosis.telling.page_lines import TOGETHER, PageLine, Style
from canmap.diagnosis.telling.strip import legend, strip_of
from canmap.records.change import in_words
from canmap.vocabulary.record_types import Control

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canmap.diagnosis.cause_table import NextCheck
    from canmap.diagnosis.diagnosis import EpisodeDiagnosis
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.diagnosis.scoring import Scored
    from canmap.findings.finding import Finding
    from canmap.records.change import Change
    from canmap.results.inspection import Inspection

WIDEST_STRIP, NARROWEST_STRIP, WIDEST_NAME = 60, 20, 24
MOST_QUIET = 8  # lanes without anything that are named
NEAREST = 3  # causes that are told where none is named
MOST_CHANGES = 4  # of mode and reason
LEAST_TOLD = 0.1  # points
AROUND_NS = 1_000_000_000  # in which these are of an episode
TIMES = len("12.345 to 12.456  ")
FOR_ALL = Caution.BLOCKED  # goes with every check at the vehicle
HEADS = {
    Decision.ROOT: "Root cause",
    Decision.TIE: "A tie: the capture does not tell these two causes apart",
    Decision.UNDETERMINED: "Undetermined",
}


class EpisodePage:
    """Makes the lines of one episode.

    Args:
        one: The episode.
        result: The inspection.
        letters: What stands for each caution but the one for all.
        si: Whether figures are in SI.
    """

    def __init__(
        self, one: EpisodeDiagnosis, result: Inspection, letters: Mapping[Caution, str], *, si: bool
    ) -> None:
        self._one, self._result, self._letters, self._si = one, result, letters, si
        self._first = one.judgement.first[:NEAREST]
        self._marks = "ABC" if len(self._first) > 1 else " "
        self._points = self._points_of()

    def lines(self, width: int, as_in: Mapping[tuple[NextCheck, ...], int]) -> Iterator[PageLine]:
        """Yield the lines; `as_in` says which earlier episode has the same checks."""
        span = self._one.span
        low_ns, high_ns = self._one.begins_ns
        at = self._result.capture.at(self._one.seen_ns)
        when = f"began {self._times(Onset(low_ns, high_ns), 'between ', ' and ')} s"
        yield PageLine(
            f"Episode {span.number}, {when}{f' ({at})' if at else ''}: {headline(span)}", style=Style.HEADING
        )
        yield from self._causes()
        yield from self._course(width)
        yield from self._happened()
        yield from self._further()
        if text := deciding_measurement(self._one, cause_table()):
            yield PageLine("The one measurement that would decide it", 2, Style.HEADING)
            yield PageLine(text, 4)
        yield from self._checks(as_in)

    def _causes(self) -> Iterator[PageLine]:
        judgement = self._one.judgement
        yield PageLine(HEADS[judgement.decision], 2, Style.HEADING)
        if judgement.decision is Decision.UNDETERMINED:
            said = f"These come nearest; a cause is named with {LEAST:g} points and a lead of {APART:g}."
            yield PageLine(said if self._first else "No cause of the table fits what the capture tells.", 4)
        for mark, scored in zip(self._marks, self._first, strict=False):
            measured = "" if scored.cause.scored else "; no simulated fault has measured its weights"
            told = number(round(scored.points, 1))
            points = f"{told} {plural(1 if told == '1' else 2, 'point')}{self._next_best()}{measured}"
            label = f"{mark}  " if mark.strip() else ""
            yield PageLine(f"{statement(scored)} ({points})", 4, label=label)
        if judgement.follows:
            yield PageLine("What followed from it", 2, Style.HEADING)
        for scored in judgement.follows:
            yield PageLine(statement(scored), 4)

    def _next_best(self) -> str:
        judgement = self._one.judgement
        if judgement.decision is not Decision.ROOT:
            return ""
        told = {id(one) for one in (*judgement.first, *judgement.follows)}
        others = [one for one in judgement.ranked if id(one) not in told and one.points >= LEAST_TOLD]
        if not others:
            return "; no other cause has any"
        name = others[0].cause.key.replace("_", " ")
        return f"; the next best, {name}, has {number(round(others[0].points, 1))}"

    def _course(self, width: int) -> Iterator[PageLine]:
        case = self._one.case
        lanes = [lane for lane in strip_of(case, NARROWEST_STRIP).lanes if not lane.is_quiet]
        longest = min(max((len(lane.name) for lane in lanes), default=0), WIDEST_NAME)
        room = max(min(width - longest - 4, WIDEST_STRIP), NARROWEST_STRIP)
        strip = strip_of(case, room)
        lanes = [lane for lane in strip.lanes if not lane.is_quiet]
        if not lanes:
            return
        left, right = (f"{self._result.seconds(at_ns):.2f} s" for at_ns in (strip.from_ns, strip.to_ns))
        begin = int((case.begin_ns - strip.from_ns) / max(strip.to_ns - strip.from_ns, 1) * room)
        margin = " " * (longest + 4)
        yield PageLine("Course", 2, Style.HEADING)
        yield PageLine(margin + left + right.rjust(room - len(left)), style=Style.DRAWN)
        yield PageLine(margin + " " * min(begin, room - 1) + "|", style=Style.DRAWN)
        for lane in lanes:
            yield PageLine(f"  {lane.name[:longest]:{longest}}  {lane.marks}", style=Style.DRAWN)
        yield PageLine(legend(lanes), 4, Style.FAINT)
        quiet = [lane.name for lane in strip.lanes if lane.is_quiet]
        if quiet:
            yield PageLine(f"As it should be throughout: {first_of(quiet, MOST_QUIET)}.", 4, Style.FAINT)

    def _happened(self) -> Iterator[PageLine]:
        chain = [one for one in self._one.chain if not self._is_told_by_another(one)]
        told = [(began(one, self._one.case), self._told(one)) for one in chain]
        beside = [*(self._changes() if told else ()), *(() if told and self._first else self._findings())]
        for when, text in beside:
            place = 1 + max((i for i, (other, _) in enumerate(told) if other.by_ns <= when.by_ns), default=-1)
            told.insert(place, (when, text))
        if not told:
            return
        weighs = "; in brackets the points" if any(map(self._tag, chain)) else ""
        yield PageLine(f"What happened, in seconds from the start{weighs}", 2, Style.HEADING)
        for when, text in told:
            yield PageLine(text, 4, label=f"{self._times(when, '', ' to '):{TIMES}}")

    def _further(self) -> Iterator[PageLine]:
        told = {id(one) for one in self._one.chain}
        weighed = {id(one.evidence): one.evidence for scored in self._first for one in scored.weighed}
        others = [one for key, one in weighed.items() if key not in told and self._tag(one)]
        if others:
            yield PageLine("What else speaks for it or against it", 2, Style.HEADING)
        for text in dict.fromkeys(self._told(one) for one in others):
            yield PageLine(text, 4)

    def _told(self, one: Evidence) -> str:
        line = (
            ""
            if one.line is None or id(one) not in map(id, self._one.chain)
            else f" (line{TOGETHER}{one.line})"
        )
        return f"{sentence(one, self._one.case, si=self._si)}{line}{self._tag(one)}"

    def _points_of(self) -> dict[int, list[str]]:
        """What each piece of evidence counts for the causes that are named, by its identity."""
        found: dict[int, list[str]] = {}
        for mark, scored in zip(self._marks, self._first, strict=False):
            counts: dict[int, float] = {}
            for one in (*scored.speaks_for, *scored.speaks_against):
                counts[id(one.evidence)] = counts.get(id(one.evidence), 0.0) + one.points
            for key, points in counts.items():
                said = (
                    "rules it out"
                    if points <= EXCLUDES
                    else f"{'+' * (points > 0)}{number(round(points, 1))}"
                )
                found.setdefault(key, []).append(f"{mark} {said}".strip())
        return found

    def _tag(self, one: Evidence) -> str:
        points = self._points.get(id(one))
        return f" [{', '.join(points)}]".replace(" ", TOGETHER).replace(TOGETHER, " ", 1) if points else ""

    def _is_told_by_another(self, one: Evidence) -> bool:
        """Whether it says of a demand only what a silence says of the same message."""
        silences = [other for other in self._one.chain if other.atom is Atom.REACH]
        silent = {name for other in silences for name in (*other.names, other.subject)}
        return one.value.startswith("missing") and one.subject in silent and not self._tag(one)

    def _changes(self) -> Iterator[tuple[Onset, str]]:
        """Yield changes of mode and reason around the begin."""
        case, result = self._one.case, self._result
        changes = [
            change
            for change in result.changes
            if issubclass(result.record_types[change.record], Control)
            and abs(change.clock_ns - case.begin_ns) <= AROUND_NS
        ]
        for change in changes[:MOST_CHANGES]:
            before, after = (self._value(change, value) for value in (change.before, change.after))
            yield changed(change, case), f"{change.name}: {before} to {after}."

    def _value(self, change: Change, value: int) -> str:
        """A value of a change in words; of a code, the label that its description gives it."""
        case, ref, said = self._one.case, change.source, in_words(value)
        if said != str(int(value)):
            return said
        signal = case.plan.columns[case.plan.column_of[ref.bus, ref.message, ref.signal]].signal
        return signal.labels.get(value, said)

    def _findings(self) -> Iterator[tuple[Onset, str]]:
        """Yield findings of the episode, of each subject the first, where no evidence tells when or why."""
        span = self._one.span
        alike: dict[tuple[object, ...], list[Finding]] = {}
        for finding in self._result.findings:
            if finding.severity != "note" and span.begin_ns <= finding.start_ns <= span.end_ns:
                alike.setdefault((finding.kind, finding.place), []).append(finding)
        for first, *others in alike.values():
            more = f" {times(len(others), 'more finding')} like it." if others else ""
            yield Onset(first.start_ns, first.start_ns), f"{first.text}{more}"

    def _times(self, when: Onset, before: str, joint: str) -> str:
        by = f"{self._result.seconds(when.by_ns):.3f}"
        after_s = -1.0 if when.after_ns is None else self._result.seconds(when.after_ns)
        after = f"{after_s:.3f}"
        if after_s < 0:
            return f"by {by}"
        return f"{before}{after}{joint}{by}" if after != by else f"{'at ' if before else ''}{by}"

    def _checks(self, as_in: Mapping[tuple[NextCheck, ...], int]) -> Iterator[PageLine]:
        checks = checks_of(self._one)
        if not checks:
            return
        yield PageLine("What to check at the vehicle; the cautions below come first", 2, Style.HEADING)
        number_of = as_in.get(checks, self._one.span.number)
        if number_of != self._one.span.number:
            yield PageLine(f"As in episode {number_of}.", 4)
            return
        for place, check in enumerate(checks, 1):
            letters = [self._letters[key] for key in check.cautions if key in self._letters]
            yield PageLine(f"{check.text}{_mind(letters)}", 4, label=f"{place}. ")


def _mind(letters: Sequence[str]) -> str:
    """Point to cautions by their letters, which stay in one line."""
    if not letters:
        return ""
    said = f"Mind {plural(len(letters), 'caution')} {listed(letters, 'and')}."
    return " " + said.replace(" ", TOGETHER)


def checks_of(one: EpisodeDiagnosis) -> tuple[NextCheck, ...]:
    """Return what to check next, for the causes that are told."""
    return tuple(
        dict.fromkeys(check for scored in one.judgement.first[:NEAREST] for check in scored.cause.checks)
    )


def statement(scored: Scored) -> str:
    """Return what a cause says, and of what: the names in the evidence that it rests on."""
    subjects = [one.evidence.subject for one in scored.weighed if one.rests_on and one.counts]
    names = [name for name in dict.fromkeys(subjects) if name]
    about = f" ({first_of(names, 2)})" if names else ""
    return f"{scored.cause.statement.rstrip('.')}{about}."
