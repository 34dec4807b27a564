"""The part of the page that tells one episode: cause, course, what happened, what decides, what to check."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

from canmap.base.words import first_of, listed, number, plural, times
from canmap.diagnosis.cause_table import EXCLUDES, Caution, cause_table
from canmap.diagnosis.facts.evidence import Atom
from canmap.diagnosis.facts.onset_times import Onset, began, changed
from canmap.diagnosis.scoring import APART, LEAST_POINTS, Decision
from canmap.diagnosis.telling.amounts import finding_of
from canmap.diagnosis.telling.course_lines import course_lines, lane_names
from canmap.diagnosis.telling.deciding import deciding_measurement
from canmap.diagnosis.telling.evidence_words import bus_of, headline, sentence
from canmap.diagnosis.telling.messages_named import names_in
from canmap.diagnosis.telling.page_lines import TOGETHER, PageLine, Style
from canmap.vocabulary.record_types import Control

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canmap.diagnosis.cause_table import Cause, NextCheck
    from canmap.diagnosis.diagnosis import EpisodeDiagnosis
    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.diagnosis.scoring import Scored
    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

NEAREST = 3  # causes that are told where none is named
MOST_CHANGES = 4  # of mode and reason
LEAST_LIKE_IT = 2  # findings after a first one like them that it tells of
LEAST_POINTS_TOLD = 0.1  # points
AROUND_NS = 1_000_000_000  # in which these are of an episode
TIMES_WIDTH = len("12.345 to 12.456  ")
OF_SEVERAL = {"bunched", "two_at_once", "sent_twice"}  # values told of several subjects in one sentence
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

    @property
    def names(self) -> set[str]:
        """The names that its sentences and its course tell, of a signal that of its message."""
        weighed = [one.evidence for scored in self._first for one in scored.weighed if one.counts]
        drawn = (name.partition(".")[0] for name in lane_names(self._one.case))
        return {*names_in(self._one.chain), *names_in(weighed), *drawn}

    def lines(self, width: int, as_in: Mapping[tuple[NextCheck, ...], int]) -> Iterator[PageLine]:
        """Yield the lines; `as_in` says which earlier episode has the same checks."""
        span = self._one.span
        low_ns, high_ns = self._one.begins_ns
        when = f", began {self._times(Onset(low_ns, high_ns), 'between ', ' and ')} s"
        when = "" if self._one.case.from_start else when  # which its headline says
        at = _by_the_clock(self._result.capture.at(self._one.seen_ns))
        yield PageLine(f"Episode {span.number}{when}{at}: {headline(span)}", style=Style.HEADING)
        yield from self._causes()
        yield from course_lines(self._one.case, width)
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
            nearest = "This one comes" if len(self._first) == 1 else "These come"
            needed = f"{LEAST_POINTS:g} points and a lead of {APART:g}"
            said = f"{nearest} nearest; a cause is named with {needed}."
            yield PageLine(said if self._first else "No known cause fits what the capture tells.", 4)
        for mark, scored in zip(self._marks, self._first, strict=False):
            measured = "" if scored.cause.scored else "; no simulated fault has measured its weights"
            told = number(round(scored.points, 1))
            points = f"{told} {plural(1 if told == '1' else 2, 'point')}{self._next_best()}{measured}"
            label = f"{mark}  " if mark.strip() else ""
            yield PageLine(f"{statement(scored, self._one)} ({points})", 4, label=label)
        if judgement.follows:
            yield PageLine("What followed from it", 2, Style.HEADING)
        for scored in judgement.follows:
            yield PageLine(statement(scored, self._one), 4)

    def _next_best(self) -> str:
        judgement = self._one.judgement
        if judgement.decision is not Decision.ROOT:
            return ""
        told = {id(one) for one in (*judgement.first, *judgement.follows)}
        others = [one for one in judgement.ranked if id(one) not in told and one.points >= LEAST_POINTS_TOLD]
        if not others:
            return "; no other cause has any"
        name = others[0].cause.key.replace("_", " ")
        return f"; the next best, {name}, has {number(round(others[0].points, 1))}"

    def _happened(self) -> Iterator[PageLine]:
        chain = [one for one in self._one.chain if self._told_by(one) is one]
        told = [(began(one, self._one.case), text) for one, text in self._told_of_several(chain)]
        beside = [*(self._changes() if told else ()), *(() if told and self._first else self._findings())]
        for when, text in beside:
            place = 1 + max((i for i, (other, _) in enumerate(told) if other.by_ns <= when.by_ns), default=-1)
            told.insert(place, (when, text))
        if not told:
            return
        weighs = "; in brackets the points" if any(map(self._tag, chain)) else ""
        yield PageLine(f"What happened{weighs}", 2, Style.HEADING)
        labels = [f"{self._times(when, '', ' to ')}  " for when, _ in told]
        widest = max(TIMES_WIDTH, *map(len, labels))  # of all, so that sentences stand below each other
        for label, (_, text) in zip(labels, told, strict=True):
            yield PageLine(text, 4, label=f"{label:{widest}}")

    def _further(self) -> Iterator[PageLine]:
        told = {id(one) for one in self._one.chain}
        weighed = {id(one.evidence): one.evidence for scored in self._first for one in scored.weighed}
        others = [one for key, one in weighed.items() if key not in told and self._tag(one)]
        if others:
            yield PageLine("What else speaks for it or against it", 2, Style.HEADING)
        for text in dict.fromkeys(self._told(one) for one in others):
            yield PageLine(text, 4)

    def _told_of_several(self, chain: Sequence[Evidence]) -> Iterator[tuple[Evidence, str]]:
        """Yield evidence with its sentence; what is said of several alike is said once, at the first."""
        alike: dict[object, list[Evidence]] = {}
        for one in chain:
            alike.setdefault(self._alike(one), []).append(one)
        many = {key for key, those in alike.items() if self._is_told_once(those)}
        for one in chain:
            key = self._alike(one)
            first, *others = alike[key] if key in many else [one]
            if one is not first:
                continue
            whole, more = first, ""
            if others and first.value in OF_SEVERAL:
                whole = replace(first, subject=listed([one.subject for one in (first, *others)], "and"))
            elif others:
                last = f", the last at {self._result.seconds(others[-1].from_ns):.3f} s"
                more = f" {times(len(others), 'more finding')} like it{last}."
            told = f"{sentence(whole, self._one.case, si=self._si)}{self._line(first)}{more}"
            yield first, f"{told}{self._tag(first)}"

    def _is_told_once(self, alike: Sequence[Evidence]) -> bool:
        """Whether evidence that is alike has one sentence; of findings where only the first counts."""
        first, *others = alike
        if first.value in OF_SEVERAL:
            return True
        enough = 1 if first.atom is Atom.DESCRIPTION else LEAST_LIKE_IT
        return len(others) >= enough and not any(map(self._tag, others))

    def _alike(self, one: Evidence) -> object:
        """What evidence has in common that may be told in one sentence."""
        if one.value in OF_SEVERAL:
            return one.value, self._tag(one)
        finding = finding_of(one, self._one.case)
        return id(one) if finding is None else (finding.kind, finding.place, one.subject)

    def _told(self, one: Evidence) -> str:
        return f"{sentence(one, self._one.case, si=self._si)}{self._tag(one)}"

    @staticmethod
    def _line(one: Evidence) -> str:
        return "" if one.line is None else f" (line{TOGETHER}{one.line})"

    def _points_of(self) -> dict[int, list[str]]:
        """What each piece of evidence counts for the causes that are named, by its identity."""
        found: dict[int, list[str]] = {}
        for mark, scored in zip(self._marks, self._first, strict=False):
            counts: dict[int, float] = {}
            for one in (*scored.speaks_for, *scored.speaks_against):
                key = id(self._told_by(one.evidence))
                counts[key] = counts.get(key, 0.0) + one.points
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

    def _told_by(self, one: Evidence) -> Evidence:
        """Return what of the chain says it too: of a silent demand, of a node among several; else itself."""
        chain = self._one.chain
        if one.value.startswith("missing") or one.value == "all_missing":
            names = {one.subject, *one.names} - {""}
            silences = (other for other in chain if other.atom is Atom.REACH)
            return next((other for other in silences if names <= {other.subject, *other.names}), one)
        if one.value == "began_anew":
            several = (other for other in chain if other.value == "several_began_anew")
            return next((other for other in several if set(one.names) <= set(other.names)), one)
        return one

    def _changes(self) -> Iterator[tuple[Onset, str]]:
        """Yield changes of mode and reason around the begin, those of one time in one sentence."""
        case, result = self._one.case, self._result
        changes = [
            change
            for change in result.changes
            if issubclass(result.record_types[change.record], Control)
            and abs(change.clock_ns - case.begin_ns) <= AROUND_NS
        ]
        for when, those in groupby(changes[:MOST_CHANGES], lambda change: changed(change, case)):
            yield when, f"{'; '.join(f'{one.name}: {one.words[0]} to {one.words[1]}' for one in those)}."

    def _findings(self) -> Iterator[tuple[Onset, str]]:
        """Yield findings of the episode, of each subject the first, where no evidence tells when or why."""
        span = self._one.span
        told_ns = {one.from_ns for one in self._one.chain}
        alike: dict[tuple[object, ...], list[Finding]] = {}
        for finding in self._result.findings:
            within = span.begin_ns <= finding.start_ns <= span.end_ns
            if finding.severity != "note" and within and finding.start_ns not in told_ns:
                alike.setdefault((finding.kind, finding.place), []).append(finding)
        for first, *others in alike.values():
            more = f" {times(len(others), 'more finding')} like it." if others else ""
            yield Onset(first.start_ns, first.start_ns), f"{first.told(si=self._si)}{more}"

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


def _by_the_clock(at: str | None) -> str:
    """Return a moment in ISO 8601 as people read it, in brackets; "" for none."""
    if at is None:
        return ""
    day, _, time = at.partition("T")
    return f" ({day} {time[: len('08:53:25.194')]}{TOGETHER}UTC)"


def statement(scored: Scored, one: EpisodeDiagnosis) -> str:
    """Return what a cause says, and of what: the names in the evidence that it rests on."""
    rests_on = [weighed.evidence for weighed in scored.weighed if weighed.rests_on and weighed.counts]
    subjects = [_subject(scored.cause, evidence, one.case) for evidence in rests_on]
    names = [name for name in dict.fromkeys(subjects) if name]
    said = scored.cause.statement.rstrip(".")
    if not names:
        return f"{said}."
    about = first_of(names, 2)
    return f"{said[:-1]}; {about})." if said.endswith(")") else f"{said} ({about})."


def _subject(cause: Cause, evidence: Evidence, case: CaseFile) -> str:
    """Return what evidence is about; where a cause is one of nodes, of a message who sends it."""
    name = evidence.subject or bus_of(evidence, case)
    if (evidence.atom, evidence.value) != (Atom.REACH, "message_or_node") or not _is_of_nodes(cause):
        return name
    senders = {rule.sender for rule in case.rules if rule.message.name == name}
    (sender,) = senders if len(senders) == 1 else (None,)
    return f"{sender}, the sender of {name}" if sender else name


def _is_of_nodes(cause: Cause) -> bool:
    """Whether it speaks for a cause that all messages of a node fell silent."""
    items = [item for group in cause.groups for item in group.items]
    return any(item.atom is Atom.REACH and "node" in item.values and item.weight > 0 for item in items)
