"""A diagnosis as a page of text: the same lines for a terminal, a pipe, and the page that goes to a maker."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from canmap.base.words import first_of, listed, number, times
from canmap.diagnosis.cause_table import Caution, cause_table
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.telling.episode_page import FOR_ALL, NEAREST, EpisodePage, checks_of, statement
from canmap.diagnosis.telling.evidence_words import headline
from canmap.diagnosis.telling.messages_named import messages_named
from canmap.diagnosis.telling.page_lines import PageLine, Style, wrapped
from canmap.findings.episodes import LISTED
from canmap.findings.finding import Severity

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from canmap.diagnosis.cause_table import NextCheck
    from canmap.diagnosis.diagnosis import Diagnosis, EpisodeDiagnosis
    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

WIDTH = 80  # of a page in a pipe or a file
MOST_FINDINGS = 5  # that are told where no episode is
MOST_NAMES = 6
MANUAL_FIRST = "The maker's manual, the applicable standards, local rules and licensed practice come first."
NO_RELEASE = "A diagnosis from a capture is a lead to follow, and no release to drive."
LETTERS = "abcdefgh"


def as_text(diagnosis: Diagnosis, width: int = WIDTH, *, si: bool = False) -> str:
    """Return the page as text, wrapped."""
    lines = [text for line in page(diagnosis, width, si=si) for text in wrapped(line, width)]
    return "\n".join(lines) + "\n"


def page(diagnosis: Diagnosis, width: int, *, si: bool = False) -> Iterator[PageLine]:
    """Yield the page.

    Args:
        diagnosis: What it tells.
        width: Of the screen, in columns, by which the course of an episode is drawn.
        si: Whether figures are in SI, not in the units of the manual.
    """
    result = diagnosis.result
    files = ", ".join(result.capture.files)
    yield PageLine(f"{result.vehicle}: {files}, {_span(result)} s", style=Style.HEADING)
    if not diagnosis.episodes:
        yield from _nothing(diagnosis, si=si)
        return
    shown = len(diagnosis.episodes)
    number_of = f"{shown} of " if shown < diagnosis.found else ""
    count = f"{number_of}{times(diagnosis.found, 'episode')}"
    yield PageLine(f"{count}; times are in seconds from the start")
    begins = [f"{one.span.number}. {result.seconds(one.seen_ns):.3f}  " for one in diagnosis.episodes]
    widest = max(map(len, begins))
    for label, one in zip(begins, diagnosis.episodes if shown > 1 else (), strict=False):  # one is told below
        yield PageLine(f"{headline(one.span).capitalize()}. {_short(one)}", 2, label=f"{label:{widest}}")
    if _some_are_not_listed(result):
        first = f"Of what came more than {LISTED} times the first {LISTED} are looked at"
        yield PageLine(f"{first}; look at the rest with --from.")
    letters = _letters(diagnosis.episodes)
    as_in: dict[tuple[NextCheck, ...], int] = {}
    names: set[str] = set()
    for one in diagnosis.episodes:
        told = EpisodePage(one, result, letters, si=si)
        yield PageLine("")
        yield from told.lines(width, as_in)
        as_in.setdefault(checks_of(one), one.span.number)
        names |= told.names
    yield from messages_named(names, diagnosis.episodes[0].case)
    yield from _lacks(diagnosis)
    yield from _cautions(letters)
    yield PageLine("")
    yield PageLine(NO_RELEASE, style=Style.FAINT)


def _some_are_not_listed(result: Inspection) -> bool:
    """Whether something that may begin an episode came so often that a finding only counts the rest of it."""
    serious = [one for finding in result.findings for one in (finding, *finding.parts)]
    number = Counter(
        (one.kind, one.place, one.stream) for one in serious if one.severity is not Severity.NOTE
    )
    return any(count > LISTED for (_, place, _), count in number.items() if place.message or place.record)


def _span(result: Inspection) -> str:
    """How long a capture is, or which part of it was read."""
    start_s, duration_s = result.seconds(result.capture.start_ns), result.capture.duration_s
    return f"{start_s:.3f} to {start_s + duration_s:.3f}" if start_s else number(round(duration_s, 3))


def _nothing(diagnosis: Diagnosis, *, si: bool) -> Iterator[PageLine]:
    """Yield what is said where no episode is shown: others there are, or findings that began none."""
    if diagnosis.found:
        others = times(diagnosis.found, "episode")
        yield PageLine(
            f"No episode fits what was asked for; the capture has {others} in all. "
            "Leave out --at, --axis and --message to see every one."
        )
        return
    found = _worth_a_look(diagnosis.result)
    if not found:
        which = " whose period is known" if diagnosis.unwatched else ""
        yield PageLine(
            f"No episode: no axis let go by itself, no message{which} fell silent, no demand was refused, "
            "and neither frames nor values nor stamps are in doubt."
        )
        yield from _unwatched(diagnosis)
        return
    yield PageLine(
        "No episode begins in this capture, but not all is well; findings with their seconds from the start:"
    )
    by_text: dict[str, list[Finding]] = {}
    for finding in found:
        by_text.setdefault(finding.told(si=si), []).append(finding)
    for text, alike in list(by_text.items())[:MOST_FINDINGS]:
        more = f" {times(len(alike) - 1, 'more time')}." if len(alike) > 1 else ""
        label = f"{diagnosis.result.seconds(alike[0].start_ns):.3f}  "
        yield PageLine(f"{text}{more}", 2, label=label)
    if len(by_text) > MOST_FINDINGS:
        yield PageLine(f"and {len(by_text) - MOST_FINDINGS} more.", 2)
    yield from _unwatched(diagnosis)
    yield PageLine("canmap inspect shows all findings.")


def _unwatched(diagnosis: Diagnosis) -> Iterator[PageLine]:
    """Yield of which messages a silence would not have been seen."""
    if diagnosis.unwatched:
        names = first_of(list(diagnosis.unwatched), MOST_NAMES)
        which = "it" if len(diagnosis.unwatched) == 1 else "one of these"
        yield PageLine(
            f"No period is known for {names}: whether {which} fell silent was not checked. "
            "Write `period` under `messages` in the spec."
        )


def _worth_a_look(result: Inspection) -> list[Finding]:
    return [finding for finding in result.findings if finding.severity != "note"]


def _short(one: EpisodeDiagnosis) -> str:
    first, decision = one.judgement.first, one.judgement.decision
    if decision is Decision.ROOT:
        return statement(first[0], one)
    keys = [scored.cause.key.replace("_", " ") for scored in first[:NEAREST]]
    if decision is Decision.TIE:
        return f"A tie of two causes: {' or '.join(keys)}."
    return f"Undetermined; nearest: {listed(keys)}." if keys else "Undetermined."


def _letters(episodes: Iterable[EpisodeDiagnosis]) -> dict[Caution, str]:
    """What stands for each caution that the checks of a page need, but the one for all."""
    used = {key for one in episodes for check in checks_of(one) for key in check.cautions}
    return dict(zip([key for key in Caution if key in used - {FOR_ALL}], LETTERS, strict=False))


def _lacks(diagnosis: Diagnosis) -> Iterator[PageLine]:
    """Yield what capture and spec do not hold, once for all episodes."""
    of: dict[str, list[int]] = {}
    for one in diagnosis.episodes:
        for lack in one.lacks:
            of.setdefault(lack.text, []).append(one.span.number)
    lines = [
        text
        if len(numbers) == len(diagnosis.episodes)
        else f"{text} (episode {first_of(list(map(str, numbers)), 4)})"
        for text, numbers in of.items()
    ]
    if names := diagnosis.never_came:
        lines.append(f"In the spec, but not in the capture: {first_of(names, MOST_NAMES)}.")
    if lines:
        yield PageLine("")
        yield PageLine(
            "Not available here; record it, or write it into the spec, next time", style=Style.HEADING
        )
    for text in lines:
        yield PageLine(text, 2)


def _cautions(letters: Mapping[Caution, str]) -> Iterator[PageLine]:
    texts = cause_table().cautions
    yield PageLine("")
    yield PageLine("Before any check at the vehicle", style=Style.HEADING)
    yield PageLine(MANUAL_FIRST, 2)
    yield PageLine(texts[FOR_ALL], 2)
    for key, letter in letters.items():
        yield PageLine(texts[key], 2, label=f"{letter}  ")
