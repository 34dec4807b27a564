"""Losses and bursts of several messages of a bus at one time, as one finding: they have one cause."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import first_of, seconds, times
from canmap.findings.finding import Finding, Place, worst
from canmap.findings.kinds import BURST

if TYPE_CHECKING:
    from collections.abc import Sequence

LEAST = {"burst": 2, "loss": 3}  # messages at one time that are no chance
NAMED = 6  # messages that a sentence names


def told_together(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings of one kind; those of several messages of a bus at one moment are one."""
    told: list[Finding] = []
    by_bus: dict[str | None, list[Finding]] = {}
    for finding in findings:
        by_bus.setdefault(finding.place.bus, []).append(finding)
    for group in (group for of_bus in by_bus.values() for group in _groups(of_bus)):
        names = list(dict.fromkeys(one.place.message or "" for one in group))
        if len(names) < LEAST[group[0].kind]:
            told += group
        else:
            told.append(_as_one(group, names))
    return told


def _groups(findings: Sequence[Finding]) -> list[list[Finding]]:
    """The findings in groups of which all have a moment in common; one of more than a gap is alone."""
    groups: list[list[Finding]] = []
    until_ns = 0
    ordered = sorted(findings, key=lambda one: (one.start_ns, one.stream or 0))
    for finding in (one for one in ordered if _is_one_gap(one)):
        if groups and finding.start_ns < until_ns:
            groups[-1].append(finding)
            until_ns = min(until_ns, finding.end_ns)
        else:
            groups.append([finding])
            until_ns = finding.end_ns
    return groups + [[one] for one in ordered if not _is_one_gap(one)]


def _is_one_gap(finding: Finding) -> bool:
    return finding.count == (1 if finding.kind == BURST else finding.value)


def _as_one(group: list[Finding], names: list[str]) -> Finding:
    first = group[0]
    start_ns, end_ns = max(one.start_ns for one in group), min(one.end_ns for one in group)
    value = max(one.value or 0.0 for one in group)
    named = f"{times(len(names), 'message')}: {first_of(names, NAMED)}"
    if first.kind == BURST:
        how = f"came late at one time, after a gap of up to {seconds(value * 1e9)}, and then back to back"
        text = f"Frames of {named} {how}: the bus or the recorder held them up, and none was lost."
    else:
        text = f"Frames of {named}, were lost at one time, up to {int(value)} of each in a row."
    return replace(
        first,
        severity=worst(one.severity for one in group),
        place=Place(bus=first.place.bus),
        start_ns=min(start_ns, end_ns),
        end_ns=max(start_ns, end_ns),
        count=len(names),
        value=value,
        limit=None,
        text=text,
        stream=None,
        parts=tuple(group),
        facts={"messages": len(names)},
    )
