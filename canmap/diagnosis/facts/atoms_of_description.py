"""The atom of the description: what does not fit it from the first frame to the last: nothing broke then."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.diagnosis.facts.evidence import Atom, Evidence
from canmap.findings.incident_words import messages
from canmap.findings.kinds import MISSING, RATE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.findings.finding import Finding

OF_KIND: Mapping[str, str] = {
    RATE: "pace_otherwise",
    "out_of_range": "value_otherwise",
    "checksum": "value_otherwise",
    "counter": "value_otherwise",
    "relay": "copy_off",
    "bus_error": "errors_only",
    MISSING: "message_never_there",
}


def description(case: CaseFile) -> Iterator[Evidence]:
    """What holds from the first frame on; nothing for an episode that began later."""
    if not case.from_start:
        return
    begun = {onset.subject for onset in case.span.onsets}
    for finding in case.findings(*OF_KIND):
        place = finding.place
        if (place.message or place.bus or "") not in begun:
            continue
        value = _value(case, finding)
        yield Evidence(
            atom=Atom.DESCRIPTION,
            value=value,
            subject=place.message or _node_never_there(case, finding, value) or place.bus or "",
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            line=finding.line,
            amount=finding.value,
            names=() if place.message else tuple(messages(finding.parts)),
        )


def _value(case: CaseFile, finding: Finding) -> str:
    if finding.kind != MISSING or not finding.parts:
        return OF_KIND[finding.kind]
    buses = {part.place.bus for part in finding.parts}
    if len(buses) > 1:
        return "swapped"
    if "other_identifiers" in finding.facts:
        return "others_came"
    of_bus = {rule.message.name for rule in case.rules if rule.bus in buses and case.is_cyclic(rule)}
    silent = {part.place.message for part in finding.parts}
    return "bus_never_there" if of_bus <= silent else "message_never_there"


def _node_never_there(case: CaseFile, finding: Finding, value: str) -> str | None:
    """The one sender of all messages that a finding says never came, None for several or none."""
    if value != "message_never_there":
        return None
    parts = {(part.place.bus, part.place.message) for part in finding.parts}
    senders = {rule.sender for rule in case.rules if (rule.bus, rule.message.name) in parts}
    return senders.pop() if len(senders) == 1 else None
