"""Rates that are off by one and the same factor, as one finding: the promise is wrong, not each sender."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from canmap.base.words import first_of, number, times
from canmap.findings.finding import Finding, Place, worst
from canmap.findings.kinds import RATE, STALE
from canmap.mapping.model import Trigger

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.mapping.model import MessageRule

LEAST = 3  # messages, of two periods or more
ALIKE = 1.1  # factors that differ by no more are one
CLEARLY = 1.5  # a factor nearer to 1 may be a clock
LATE = 1.25  # how much longer than the mean a gap may be
NAMED = 6  # messages that a sentence names


def of_wrong_periods(findings: list[Finding], rules: Sequence[MessageRule]) -> list[Finding]:
    """Return the findings, with the rates that share a factor as one; silences that it explains are in it."""
    off = [f for f in findings if f.kind == RATE and f.open and f.value and f.limit]
    factor = median(_factor(f) for f in off) if off else 1.0
    off = [f for f in off if 1 / ALIKE <= _factor(f) / factor <= ALIKE]
    cyclic = [rule for rule in rules if rule.trigger is Trigger.CYCLIC]
    found = {(f.place.bus, f.place.message) for f in off}
    periods = {rule.period_ns for rule in cyclic if (rule.bus, rule.message.name) in found}
    if len(found) < LEAST or len(periods) < 2 or 2 * len(found) <= len(cyclic):
        return findings
    if 1 / CLEARLY < factor < CLEARLY:
        return findings
    alike = set(map(id, off))
    parts: list[Finding] = []
    rest: list[Finding] = []
    for finding in findings:
        is_part = id(finding) in alike or _is_explained(finding, factor, rules)
        (parts if is_part else rest).append(finding)
    parts.sort(key=lambda f: (f.start_ns, f.kind, f.place.message or "", f.text))
    return [*rest, _finding(factor, parts)]


def _factor(finding: Finding) -> float:
    """How many times the promised period the mean one is."""
    return (finding.value or 0.0) / (finding.limit or 1.0)


def _is_explained(finding: Finding, factor: float, rules: Sequence[MessageRule]) -> bool:
    """Tell whether a silence is no longer than the true period of its message."""
    if finding.kind != STALE or finding.stream is None or finding.value is None:
        return False
    period_ns = rules[finding.stream].period_ns
    return period_ns is not None and finding.value * 1e9 <= LATE * factor * period_ns


def _finding(factor: float, parts: list[Finding]) -> Finding:
    names = list(dict.fromkeys(part.place.message or "" for part in parts))
    seldom = f"at {number(round(factor, 1))} times their promised period"
    often = f"{number(round(1 / factor, 1))} times as often as promised"
    return Finding(
        kind=RATE,
        severity=worst(part.severity for part in parts),
        place=Place(),
        start_ns=min(part.start_ns for part in parts),
        end_ns=max(part.end_ns for part in parts),
        open=True,
        count=len(names),
        value=factor,
        limit=1.0,
        text=(
            f"{times(len(names), 'message')} come {seldom if factor > 1 else often}, so what is promised "
            f"looks wrong: {first_of(names, NAMED)}."
        ),
        parts=tuple(parts),
    )
