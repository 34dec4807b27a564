"""Nodes that restarted: what tells of one restart is one finding, which names all that does.

Each clue leaves a span in which the node must have restarted: between two values of its restart count, two of
its uptime, its last message and its boot frame, two frames with a counter. Clues whose spans have a moment in
common tell of one restart, but for those that tell the same.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.words import first_of, number, seconds
from canmap.findings.finding import Finding, Place, worst
from canmap.findings.kinds import RESTART

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.mapping.supplied_nodes import NodeRule

NAMED = 6  # clues that a sentence names
_MANY = {"more", "stretches"}  # facts of a finding that stands for several


class Clue(StrEnum):
    """What tells that a node restarted."""

    COUNTER = "counter"
    RESTART_COUNT = "restart_count"
    UPTIME = "uptime"
    BOOT = "boot"


class _Told(NamedTuple):
    """A finding of one clue.

    Attributes:
        begin_ns: Session clock from which on the node may have restarted.
        end_ns: Session clock up to which it may.
        finding: The finding.
    """

    begin_ns: int
    end_ns: int
    finding: Finding


def with_whole_restarts(
    findings: Iterable[Finding], nodes: Iterable[NodeRule], counted_ns: Mapping[str, tuple[int, int]]
) -> list[Finding]:
    """Return the findings with the clues of each restart of a node as one; they are its parts.

    A rolling counter that begins anew may have come to its first value by chance: where the node counts its
    starts, and that count stayed what it was, it did.

    Args:
        findings: The findings.
        nodes: What the spec says of the nodes.
        counted_ns: Session clocks of the first and the newest sample of each count of starts, by node.
    """
    rules = {node.name: node for node in nodes}
    rest: list[Finding] = []
    by_node: dict[str, list[_Told]] = {}
    for finding in findings:
        node = finding.facts.get("node")
        if finding.kind == RESTART and isinstance(node, str) and not finding.facts.keys() & _MANY:
            by_node.setdefault(node, []).append(_Told(*restart_span_ns(finding), finding))
        else:
            rest.append(finding)
    for node, told in by_node.items():
        rule = rules.get(node)
        slack_ns = (rule.start_time_ns or 0) if rule else 0
        since_ns, until_ns = counted_ns.get(node, (0, 0))
        rest += [
            _whole(node, parts, rules)
            for parts in _of_one_restart(told, slack_ns)
            if not (_by_counter(parts) and all(since_ns <= p.begin_ns <= p.end_ns < until_ns for p in parts))
        ]
    return rest


def _by_counter(told: list[_Told]) -> bool:
    return all(one.finding.facts["clue"] == Clue.COUNTER for one in told)


def clue_in_words(finding: Finding) -> str:
    """Return what a clue says: "its restart count went from 3 to 4"."""
    facts, place = finding.facts, finding.place
    name = f"{place.message}.{place.signal}"
    match Clue(str(facts["clue"])):
        case Clue.COUNTER:
            of = f"{place.message} began its counter" if place.message else "its counter began"
            return f"{of} anew after {seconds((finding.value or 0) * 1e9)}"
        case Clue.RESTART_COUNT:
            return f"its restart count ({name}) went from {facts['from']} to {facts['to']}"
        case Clue.UPTIME:
            before, after = (f"{number(_float(facts, side))} s" for side in ("from_s", "to_s"))
            return f"its uptime ({name}) went from {before} to {after}"
        case Clue.BOOT:
            return f"it sent its boot frame {place.message}"


def _float(facts: Mapping[str, object], name: str) -> float:
    value = facts[name]
    return float(value) if isinstance(value, int | float) else 0.0


def restart_span_ns(finding: Finding) -> tuple[int, int]:
    """Return the session clock from which on and up to which the node of a restart must have restarted."""
    if finding.facts.get("clue") != Clue.COUNTER:
        return finding.start_ns, finding.end_ns
    return finding.start_ns - round((finding.value or 0) * 1e9), finding.end_ns


def _of_one_restart(told: list[_Told], slack_ns: int) -> list[list[_Told]]:
    """The clues in groups, those of each with a moment at which the node may have restarted."""
    groups: list[list[_Told]] = []
    until_ns = 0
    for one in sorted(told, key=lambda one: (one.begin_ns, one.end_ns)):
        again = any(_clue(one) == _clue(other) for other in groups[-1]) if groups else True
        if not again and one.begin_ns <= until_ns + slack_ns:
            groups[-1].append(one)
            until_ns = min(until_ns, one.end_ns)
        else:
            groups.append([one])
            until_ns = one.end_ns
    return groups


def _clue(told: _Told) -> tuple[object, ...]:
    """What tells: if it tells twice, that is of two restarts."""
    return told.finding.facts["clue"], told.finding.place


def _whole(node: str, told: list[_Told], rules: Mapping[str, NodeRule]) -> Finding:
    parts = [one.finding for one in told]
    if len(parts) == 1:
        return parts[0]
    begin_ns, end_ns = max(one.begin_ns for one in told), min(one.end_ns for one in told)
    rule = rules.get(node)
    clues = tuple(dict.fromkeys(str(part.facts["clue"]) for part in parts))
    facts: dict[str, str | float | tuple[str, ...]] = {"node": node, "clues": clues}
    if rule and rule.axis:
        facts["axis"] = rule.axis
    if rule and rule.page:
        facts["page"] = rule.page
    words = first_of([clue_in_words(part) for part in parts], NAMED)
    page = f" (page {rule.page} of the manual)" if rule and rule.page else ""
    bus = parts[0].place.bus
    lines = [part.line for part in parts if part.line is not None]
    return Finding(
        kind=RESTART,
        severity=worst(part.severity for part in parts),
        place=Place(bus=bus if all(part.place.bus == bus for part in parts) else None),
        start_ns=min(begin_ns, end_ns),
        end_ns=max(begin_ns, end_ns),
        count=len(parts),
        text=f"{node} restarted: {words}{page}.",
        line=min(lines, default=None),
        parts=tuple(parts),
        facts=facts,
    )
