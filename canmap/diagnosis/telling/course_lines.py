"""The course of an episode on the page: what changed as lanes of characters, what did not in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import first_of
from canmap.diagnosis.telling.page_lines import TOGETHER, PageLine, Style
from canmap.diagnosis.telling.strip import GOOD, MEANINGS, strip_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.telling.strip import Lane, Strip

WIDEST, NARROWEST, LEAST_WIDTH = 60, 20, 8  # characters for the time: of a page, beside the names, at all
INDENT, BETWEEN = 2, 2
MOST_NAMED = 8  # lanes of which nothing is drawn
BEGIN = "|"


def lane_names(case: CaseFile) -> list[str]:
    """Return the names of the lanes that are drawn, as on the widest page."""
    if case.from_start:
        return []
    return [lane.name for lane in strip_of(case, WIDEST).lanes if not lane.is_constant]


def course_lines(case: CaseFile, width: int) -> Iterator[PageLine]:
    """Yield the course of an episode; nothing of what holds from the start, which has none.

    Where names and lanes have no room beside each other, each name stands above its lane.
    """
    if case.from_start:
        return
    margin = INDENT + max(map(len, lane_names(case)), default=0) + BETWEEN
    beside = width - margin >= NARROWEST
    if not beside:
        margin = INDENT + BETWEEN
    strip = strip_of(case, max(min(width - margin, WIDEST), LEAST_WIDTH))
    drawn = [lane for lane in strip.lanes if not lane.is_constant]
    if not drawn and all(lane.is_quiet for lane in strip.lanes):
        return
    yield PageLine("Course", INDENT, Style.HEADING)
    if drawn:
        yield from _above(case, strip, margin)
    for lane in drawn:
        if beside:
            yield PageLine(f"{lane.name:{margin - INDENT}}{lane.marks}", INDENT, Style.DRAWN)
        else:
            yield PageLine(lane.name, INDENT)
            yield PageLine(lane.marks, margin, Style.DRAWN)
    if drawn:
        yield PageLine(_legend(drawn), INDENT + BETWEEN, Style.FAINT)
    for text in _throughout(lane for lane in strip.lanes if lane.is_constant):
        yield PageLine(text, INDENT + BETWEEN, Style.FAINT)


def _above(case: CaseFile, strip: Strip, margin: int) -> Iterator[PageLine]:
    """Yield the times at both ends, and the mark of the begin."""
    room = len(strip.lanes[0].marks)
    left, right = (f"{case.result.seconds(at_ns):.2f} s" for at_ns in (strip.from_ns, strip.to_ns))
    begin = int((case.begin_ns - strip.from_ns) / max(strip.to_ns - strip.from_ns, 1) * room)
    yield PageLine(left + right.rjust(room - len(left)), margin, Style.DRAWN)
    yield PageLine(" " * min(begin, room - 1) + BEGIN, margin, Style.DRAWN)


def _legend(lanes: Iterable[Lane]) -> str:
    used = {mark for lane in lanes for mark in lane.marks}
    told = [(BEGIN, "where it begins"), *((mark, text) for mark, text in MEANINGS.items() if mark in used)]
    blank = TOGETHER  # a mark and what it means stay in one line
    return "   ".join(f"{mark} {meaning}".replace(" ", blank) for mark, meaning in told)


def _throughout(lanes: Iterable[Lane]) -> Iterator[str]:
    """Yield what is the same all the time, what is as it should be last."""
    names: dict[str, list[str]] = {}
    for lane in lanes:
        names.setdefault(lane.marks[0], []).append(lane.name)
    for mark in sorted(names, key=lambda one: one == GOOD):
        yield f"{MEANINGS[mark].capitalize()} throughout: {first_of(names[mark], MOST_NAMED)}."
