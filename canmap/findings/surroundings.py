"""What else happened around a silence: changes, faults, error frames within half a second; who went on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import listed
from canmap.findings.kinds import MISSING, RECORDING_GAP, RESTART, STALE
from canmap.findings.restarts import restart_span_ns
from canmap.records.change import told_once

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.findings.finding import Finding
    from canmap.findings.incidents import Known
    from canmap.records.change import Change

AROUND_NS = 500_000_000
NAMED = 6  # changes and nodes that a sentence names, and faults that get one
MOST = 100  # silences that get it: who has more reads them in the changes
BESIDE = frozenset(
    {"bus_error", "fault_reported", "restart", "undervoltage", "stop_chain"}
)  # kinds of findings that may be why


def with_surroundings(findings: Sequence[Finding], changes: Sequence[Change], known: Known) -> list[Finding]:
    """Return the findings, the first silences among them with what else happened beside them.

    Args:
        findings: All findings, in their order.
        changes: All changes, by time.
        known: What silences are judged by.
    """
    silences = [
        finding
        for finding in findings
        if finding.kind in {STALE, MISSING, RECORDING_GAP} and finding.start_ns > known.start_ns
    ]
    beside = {id(one): _beside(one, findings, changes, known) for one in silences[:MOST]}
    return [replace(one, beside=beside[id(one)]) if id(one) in beside else one for one in findings]


def _beside(
    finding: Finding, findings: Sequence[Finding], changes: Sequence[Change], known: Known
) -> tuple[str, ...]:
    near = [one for one in changes if abs(one.clock_ns - finding.start_ns) <= AROUND_NS]
    faults = [
        one
        for one in findings
        for begin_ns, end_ns in [_span_ns(one)]
        if one.kind in BESIDE and begin_ns - AROUND_NS <= finding.start_ns <= end_ns + AROUND_NS
    ]
    sentences = [_changed(near)] if near else []
    sentences += [one.text for one in faults[:NAMED]]
    if finding.kind != RECORDING_GAP:
        sentences += _original_went_on(finding, findings, known)
        sentences += _who_went_on(finding, findings, known)
    return tuple(sentences)


def _span_ns(finding: Finding) -> tuple[int, int]:
    return restart_span_ns(finding) if finding.kind == RESTART else (finding.start_ns, finding.end_ns)


def _changed(near: Sequence[Change]) -> str:
    """The changes in their order; those of one time between the same values in one phrase."""
    phrases: dict[tuple[str, str], list[str]] = {}
    for change in told_once(near):
        phrases.setdefault(change.words, []).append(change.name)
    said = [
        f"{listed(dict.fromkeys(names), 'and')} from {before} to {after}"
        for (before, after), names in phrases.items()
    ]
    return f"Within half a second of its begin: {_named(said, '; ')}."


def _named(names: Sequence[str], joint: str = ", ") -> str:
    if len(names) <= NAMED + 1:  # "1 more" would take as much room as the last
        return joint.join(names)
    return f"{joint.join(names[:NAMED])} and {len(names) - NAMED} more"


def _original_went_on(finding: Finding, findings: Sequence[Finding], known: Known) -> list[str]:
    """What is said where a copy fell silent and its original did not."""
    relay = None if finding.stream is None else known.rules[finding.stream].relay_of
    if relay is None:
        return []
    streams = [
        stream
        for stream, rule in enumerate(known.rules)
        if (rule.bus, rule.message.name) == (relay.message.bus, relay.message.message)
    ]
    went_on = known.rules[streams[0]].stale_after_ns is not None
    if not went_on or _silent(finding.start_ns, findings) & set(streams):
        return []
    return [f"{relay.message.message}, of which it is the copy, went on."]


def _silent(at_ns: int, findings: Sequence[Finding]) -> set[int | None]:
    """The streams that were silent at a time, or soon after it."""
    return {
        part.stream
        for one in findings
        for part in (one.parts or (one,))
        if part.kind in {STALE, MISSING} and part.start_ns <= at_ns + AROUND_NS and part.end_ns >= at_ns
    }


def _who_went_on(finding: Finding, findings: Sequence[Finding], known: Known) -> list[str]:
    """The nodes of which a message went on, and those whose messages nothing is promised of."""
    silent = _silent(finding.start_ns, findings)
    nodes: dict[str, bool | None] = {}
    for stream, rule in enumerate(known.rules):
        if rule.sender is None:
            continue
        if rule.stale_after_ns is None or rule.active_when:
            nodes.setdefault(rule.sender, None)
        else:
            nodes[rule.sender] = bool(nodes.get(rule.sender)) or stream not in silent
    going_on = [node for node, went_on in nodes.items() if went_on]
    unknown = [node for node, went_on in nodes.items() if went_on is None]
    sentences = [f"Still sending: {_named(going_on)}."] if going_on else []
    if unknown:
        sentences.append(f"Not known, as no period is promised: {_named(unknown)}.")
    return sentences
