"""Findings as lines of a screen: what is much alike is one line, with how many findings it stands for."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.text import Text

from canmap.base.errors import printable
from canmap.base.words import first_of, listed, times
from canmap.findings.finding import Severity
from canmap.findings.kinds import SPEC, UNKNOWN_ID
from canmap.mapping.notes import OF_MANY, NoteReason, text_of_many

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rich.console import Console

    from canmap.findings.finding import Finding, Place
    from canmap.results.inspection import Inspection

STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "dim"}
SHOWN_LINES = 40  # of one severity; JSON has all
ALIKE = 5  # findings of one kind about one thing that have a line each
NAMED = 12  # messages and identifiers that a line names


def counted(result: Inspection) -> str:
    """Return how many findings of each severity there are: "1 error, 0 warnings, 2 notes"."""
    return ", ".join(
        times(sum(one.severity is severity for one in result.findings), severity.value)
        for severity in Severity
    )


def show_findings(result: Inspection, out: Console, *, si: bool = False) -> None:
    """Print the findings, the most severe first, with quantities as the manual has them or in SI."""
    out.print()
    if not result.findings:
        out.print(Text("Nothing found", style="bold"))
        return
    out.print(Text("Findings, with their seconds from the start", style="bold"))
    for severity in Severity:
        lines = _lines([one for one in result.findings if one.severity is severity])
        # What says how to correct what is wrong is no less worth a line for standing behind much else.
        first = sorted(range(len(lines)), key=lambda place: not lines[place][0].says_what_to_correct)
        for place in sorted(first[:SHOWN_LINES]):
            _show(result, lines[place], out, si=si)
        if hidden := sum(len(lines[place]) for place in first[SHOWN_LINES:]):
            out.print(Text(f"  and {times(hidden, f'more {severity.value}')}; --json has all"))


def show_known_at_the_end(result: Inspection, out: Console, *, si: bool) -> None:
    """Print what only the whole session tells: what to correct, and the notes that have no moment."""
    hinted = [one for one in result.findings if one.says_what_to_correct]
    for line in (*_lines(hinted), *_lines([one for one in result.findings if has_no_moment(one)])):
        _show(result, line, out, si=si)


def has_no_moment(finding: Finding) -> bool:
    """Whether a finding is of the whole session, and one of many that a line tells together."""
    return finding.kind == SPEC or _is_identifier(finding)


def _is_identifier(finding: Finding) -> bool:
    """Whether it is a note of one unknown identifier, or of those that are too many for a note each."""
    return finding.kind == UNKNOWN_ID and not finding.facts.keys().isdisjoint({"id", "identifiers"})


def _told_with(finding: Finding) -> tuple[object, ...] | None:
    """What the findings that one line tells together have in common; None for one that has its own line."""
    if _is_identifier(finding):
        return UNKNOWN_ID, finding.place.bus
    reason = finding.facts.get("reason")
    if finding.kind == SPEC and reason in OF_MANY and "line" not in finding.facts:
        return SPEC, reason
    return None


def _lines(findings: Iterable[Finding]) -> list[Sequence[Finding]]:
    """The findings that each line stands for, by their start; unknown identifiers stand last."""
    ordered = sorted(findings, key=lambda one: (_is_identifier(one), "identifiers" in one.facts))
    keyed = [(_told_with(one) or (one.kind, one.place), one) for one in ordered]
    alike: dict[tuple[object, ...], list[Finding]] = defaultdict(list)
    for key, one in keyed:
        alike[key].append(one)
    lines: list[Sequence[Finding]] = []
    come: Counter[tuple[object, ...]] = Counter()  # of each key, how many came before
    for key, one in keyed:
        before, several = come[key], alike[key]
        come[key] += 1
        is_told_alone = before < ALIKE or len(several) == ALIKE + 1  # "1 more" would be no shorter than it
        if _told_with(one) is not None:
            lines += [several] if before == 0 else []
        elif is_told_alone:
            lines.append([one])
        elif before == ALIKE:
            lines.append(several[ALIKE:])
    return lines


def _show(result: Inspection, line: Sequence[Finding], out: Console, *, si: bool) -> None:
    """Print what one line stands for; below a finding what else happened around its begin."""
    first = line[0]
    text = first.told(si=si) if len(line) == 1 else _text_of_many(line)
    word = first.severity.value if len(line) == 1 else times(len(line), first.severity.value)
    head = Text.assemble("  ", (word, STYLES[first.severity]), f" {first.kind.value}")
    if not has_no_moment(first):
        head.append(f" {_span(result, line)}", style="cyan")
    head.append(f"  {printable(text)}")
    _print_below(head, 2, out)
    for sentence in first.beside if len(line) == 1 else ():
        _print_below(Text(f"    {printable(sentence)}", style="dim"), 4, out)


def _text_of_many(line: Sequence[Finding]) -> str:
    first = line[0]
    if _is_identifier(first):
        return _not_known(line)
    if first.kind == SPEC:
        subjects = [str(one.facts["subject"]) for one in line]
        return text_of_many(NoteReason(str(first.facts["reason"])), first_of(subjects, NAMED))
    return f"more{_of(first.place)} like those above; --json has them"


def _of(place: Place) -> str:
    names = (place.message or place.record or place.bus, place.signal or place.field)
    named = ".".join(name for name in names if name)
    return f" of {named}" if named else ""


def _span(result: Inspection, line: Sequence[Finding]) -> str:
    start, end = result.seconds(line[0].start_ns), result.seconds(max(one.end_ns for one in line))
    span = f"{start:.3f}" if start == end else f"{start:.3f} to {end:.3f}"
    return f"[{span}{', open' if any(one.open for one in line) else ''}]"


def _print_below(line: Text, indent: int, out: Console) -> None:
    """Print an indented line; on a terminal what has no room in it goes on below its begin."""
    out.print(Padding(line[indent:], (0, 0, 0, indent)) if out.is_terminal else line)


def _not_known(line: Sequence[Finding]) -> str:
    """The identifiers that the description of one bus does not know, the most frequent first."""
    line = sorted(line, key=lambda one: (-one.count, str(one.facts["id"])))
    names = [str(one.facts["id"]) for one in line]
    frames = times(sum(one.count for one in line), "frame")
    text = f"The description of bus {line[0].place.bus} does not know {times(len(line), 'identifier')}, "
    text += f"in {frames}: {first_of(names, NAMED)}."
    grouped = [f"{one.facts['id']} ({listed(of)})" for one in line if (of := _names(one, "same_group"))]
    if grouped:
        text += (
            f" Of the parameter group of a message, but not from its `source`: {first_of(grouped, NAMED)}."
        )
    known = [f"{one.facts['id']} (bus {bus})" for one in line for bus in _names(one, "known_by")]
    if known:
        text += f" Another bus knows {first_of(known, NAMED)}: check which channel each bus has."
    return text


def _names(finding: Finding, fact: str) -> tuple[str, ...]:
    names = finding.facts.get(fact, ())
    return names if isinstance(names, tuple) else ()
