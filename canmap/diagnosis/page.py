"""A diagnosis as a page of text: the same lines for a terminal, a pipe, and the page that goes to a maker."""

from __future__ import annotations

import textwrap
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.errors import printable
from canmap.base.words import first_of, listed, number, times
from canmap.diagnosis.cause_table import EXCLUDES, cause_table
from canmap.diagnosis.evidence_words import headline, sentence
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.strip import GOOD, LEGEND, strip_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canmap.diagnosis.diagnosis import Diagnosis, EpisodeDiagnosis
    from canmap.diagnosis.evidence import Evidence
    from canmap.diagnosis.scoring import Scored, Weighed
    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

WIDEST_STRIP, NARROWEST_STRIP = 60, 20
MOST_FINDINGS = 5  # that are told where no episode is
MANUAL_FIRST = (
    "The maker's manual, the applicable standards, local rules and licensed practice come first. "
    "A diagnosis from a capture is a lead to follow, and no release to drive."
)


class Style(Enum):
    """How a line stands out."""

    PLAIN = 0
    HEADING = 1
    FAINT = 2
    DRAWN = 3  # its blanks matter: it is never wrapped


class PageLine(NamedTuple):
    """A line of the page.

    Attributes:
        text: What it says.
        indent: Blanks before it; what has no room goes on two further in.
        style: How it stands out.
    """

    text: str
    indent: int = 0
    style: Style = Style.PLAIN


def page(diagnosis: Diagnosis, width: int) -> Iterator[PageLine]:
    """Yield the page; `width` is that of the screen, by which the course of an episode is drawn."""
    result = diagnosis.result
    yield PageLine(f"{result.vehicle}: {', '.join(result.capture.files)}", style=Style.HEADING)
    if not diagnosis.episodes:
        yield from _nothing(diagnosis)
        return
    shown = len(diagnosis.episodes)
    number_of = f"{shown} of " if shown < diagnosis.found else ""
    yield PageLine(f"{number_of}{times(diagnosis.found, 'episode')}, in seconds from the start:")
    for one in diagnosis.episodes:
        begin = f"{one.span.number}. {result.seconds(one.span.begin_ns):.3f}"
        yield PageLine(f"{begin}  {headline(one.span)}: {_short(one)}", 2)
    for one in diagnosis.episodes:
        yield PageLine("")
        yield from _episode(one, result, width)
    yield PageLine("")
    yield PageLine(MANUAL_FIRST, style=Style.FAINT)


def _nothing(diagnosis: Diagnosis) -> Iterator[PageLine]:
    """Yield what is said where no episode is shown: others there are, or findings that began none."""
    if diagnosis.found:
        others = times(diagnosis.found, "episode")
        yield PageLine(f"No episode fits what was asked for; the capture has {others} in all.")
        return
    found = _worth_a_look(diagnosis.result)
    if not found:
        yield PageLine(
            "No episode: no axis let go by itself, no message fell silent, no demand was refused, "
            "and neither frames nor values nor stamps are in doubt."
        )
        return
    yield PageLine("No episode begins in this capture, but not all is well:")
    for finding in found[:MOST_FINDINGS]:
        yield PageLine(finding.text, 2)
    if len(found) > MOST_FINDINGS:
        yield PageLine(f"and {len(found) - MOST_FINDINGS} more.", 2)
    yield PageLine("canmap inspect shows all findings.")


def _worth_a_look(result: Inspection) -> list[Finding]:
    return [finding for finding in result.findings if finding.severity != "note"]


def as_text(diagnosis: Diagnosis, width: int = 100) -> str:
    """Return the page as text, wrapped."""
    lines: list[str] = []
    for line in page(diagnosis, width):
        lines += wrapped(line, width)
    return "\n".join(lines) + "\n"


def wrapped(line: PageLine, width: int) -> list[str]:
    """Return a line of the page as lines that are no wider; what is drawn stays as it is."""
    text, blanks = printable(line.text), " " * line.indent
    if line.style is Style.DRAWN:
        return [blanks + text]
    return textwrap.wrap(text, width, initial_indent=blanks, subsequent_indent=blanks + "  ") or [""]


def _short(one: EpisodeDiagnosis) -> str:
    judgement = one.judgement
    keys = [scored.cause.key.replace("_", " ") for scored in judgement.first]
    if judgement.decision is Decision.ROOT:
        return keys[0]
    return f"{listed(keys)} (a tie)" if judgement.decision is Decision.TIE else "undetermined"


def _episode(one: EpisodeDiagnosis, result: Inspection, width: int) -> Iterator[PageLine]:
    span, judgement = one.span, one.judgement
    at = result.capture.at(span.begin_ns)
    head = f"Episode {span.number}, at {result.seconds(span.begin_ns):.3f} s" + (f", {at}" if at else "")
    yield PageLine(head, style=Style.HEADING)
    yield from _course(one, result, width)
    low_s, high_s = (result.seconds(moment) for moment in one.begins_ns)
    yield PageLine("What happened", 2, Style.HEADING)
    began = f"between {low_s:.3f} and" if low_s >= 0 else "before the capture or by"
    yield PageLine(f"It began {began} {high_s:.3f} s.", 4)
    for evidence in one.chain:
        yield PageLine(_timed(evidence, result), 4)
    for finding in _worth_a_look(result) if not one.chain else ():
        if span.begin_ns <= finding.start_ns <= span.end_ns:
            yield PageLine(f"{result.seconds(finding.start_ns):.3f}  {finding.text}", 4)
    yield from _causes(one)
    for scored in judgement.first:
        yield from _reasons(scored)
    if judgement.measure:
        yield PageLine(f"What would decide it: {judgement.measure}", 2)
    yield from _checks(judgement.first)
    if one.lacks:
        yield PageLine("Not available here", 2, Style.HEADING)
        for lack in one.lacks:
            yield PageLine(lack.text, 4)


def _timed(evidence: Evidence, result: Inspection) -> str:
    line = "" if evidence.line is None else f" (line {evidence.line})"
    return f"{result.seconds(evidence.from_ns):.3f}  {sentence(evidence)}{line}"


def _course(one: EpisodeDiagnosis, result: Inspection, width: int) -> Iterator[PageLine]:
    lanes = strip_of(one.case, NARROWEST_STRIP).lanes
    longest = min(max((len(lane.name) for lane in lanes if set(lane.marks) - {GOOD}), default=0), 24)
    room = max(min(width - longest - 4, WIDEST_STRIP), NARROWEST_STRIP)
    strip = strip_of(one.case, room)
    if not any(set(lane.marks) - {GOOD} for lane in strip.lanes):
        return
    from_s, to_s = result.seconds(strip.from_ns), result.seconds(strip.to_ns)
    left, right = f"{from_s:.2f} s", f"{to_s:.2f} s"
    begin = int((one.span.begin_ns - strip.from_ns) / max(strip.to_ns - strip.from_ns, 1) * room)
    pointer = " " * min(begin, room - 1) + "|"
    yield PageLine(" " * (longest + 4) + left + right.rjust(room - len(left)), 0, Style.DRAWN)
    yield PageLine(" " * (longest + 4) + pointer, 0, Style.DRAWN)
    for lane in strip.lanes:
        if not set(lane.marks) - {GOOD}:
            continue
        yield PageLine(f"  {lane.name[:longest]:{longest}}  {lane.marks}", 0, Style.DRAWN)
    quiet = [lane.name for lane in strip.lanes if not set(lane.marks) - {GOOD}]
    yield PageLine(LEGEND, 2, Style.FAINT)
    if quiet:
        yield PageLine(f"As it should be throughout: {listed(quiet, 'and')}.", 2, Style.FAINT)


def _causes(one: EpisodeDiagnosis) -> Iterator[PageLine]:
    judgement = one.judgement
    statements = [scored.cause.statement for scored in judgement.first]
    heads = {
        Decision.ROOT: "Root cause",
        Decision.TIE: "A tie: the capture does not tell these two apart",
        Decision.UNDETERMINED: "Undetermined",
    }
    yield PageLine(heads[judgement.decision], 2, Style.HEADING)
    if judgement.decision is Decision.UNDETERMINED:
        said = "These come nearest:" if statements else "No cause of the table fits what the capture tells."
        yield PageLine(said, 4)
    for scored in judgement.first:
        unmeasured = "" if scored.cause.scored else "; no simulated fault has measured its weights"
        yield PageLine(f"{scored.cause.statement} ({number(round(scored.points, 1))} points{unmeasured})", 4)
    for scored in judgement.follows:
        yield PageLine(f"What followed: {scored.cause.statement}", 4)


def _reasons(scored: Scored) -> Iterator[PageLine]:
    for head, weighed in (("For", scored.speaks_for), ("Against", scored.speaks_against)):
        if weighed:
            yield PageLine(f"{head} {scored.cause.key.replace('_', ' ')}", 2, Style.HEADING)
        told: dict[str, list[Weighed]] = {}  # what counts twice is told once
        for one in weighed:
            told.setdefault(sentence(one.evidence), []).append(one)
        for text, same in told.items():
            excludes = any(one.item.weight == EXCLUDES for one in same)
            points = "rules it out" if excludes else f"{sum(one.points for one in same):+.1f}"
            yield PageLine(f"{points}  {text}", 4)


def _checks(first: Sequence[Scored]) -> Iterator[PageLine]:
    checks = list(dict.fromkeys(check for scored in first for check in scored.cause.checks))
    if not checks:
        return
    yield PageLine("What to check at the vehicle", 2, Style.HEADING)
    for check in checks:
        keys = f" [{first_of([key.value for key in check.cautions], 8)}]" if check.cautions else ""
        yield PageLine(f"{check.text}{keys}", 4)
    cautions = sorted({key for check in checks for key in check.cautions})
    if cautions:
        yield PageLine("Cautions", 2, Style.HEADING)
        for key in cautions:
            yield PageLine(f"{key.value}: {cause_table().cautions[key]}", 4)
