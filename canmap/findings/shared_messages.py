"""What two senders of one message do to everything else that is judged by it.

Frames of both come by turns: its counter, its rate and those of its copies look wrong, its values jump to and
fro between what either says, and an axis neither follows nor reports one demand. Of a node that is there
twice, its other messages come too often, and its uptime jumps back again and again as if it were restarted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.findings.explained import NEAR_NS, told_with
from canmap.findings.finding import Severity
from canmap.findings.kinds import BURST, COUNTER, LOSS, RATE, RESTART, TWO_SENDERS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canmap.findings.finding import Finding
    from canmap.mapping.model import MessageRule, Spec

_OF_FRAMES = frozenset({COUNTER, LOSS, RATE, RESTART, BURST})
_OF_VALUES = frozenset({"slew", "tracking"})
_Name = tuple[str | None, str | None]  # bus and message


class _Shared:
    """What depends on each message.

    Args:
        spec: The spec.
        rules: The message rules, one a stream.
    """

    def __init__(self, spec: Spec, rules: Sequence[MessageRule]) -> None:
        self._node: dict[_Name, str | None] = {(one.bus, one.message.name): one.sender for one in rules}
        self._copies: dict[_Name, set[str]] = {}
        for rule in rules:
            if rule.relay_of is not None:
                of = rule.relay_of.message
                self._copies.setdefault((of.bus, of.message), set()).add(rule.message.name)
        records = {one.name: (one.bus, one.stamp) for one in spec.records}
        manual = spec.manual
        self._axis: dict[str, set[_Name]] = {
            one.name: {records[one.report[0]], records[one.demand[0]]} for one in manual.axes
        }
        self._enabled_by: dict[str, _Name] = {
            one.name: (one.enable.signal.bus, one.enable.signal.message)
            for one in manual.state_machines
            if one.enable is not None
        }

    def explains(self, reason: Finding, finding: Finding) -> bool:
        """Tell whether two senders of one message are why something else was found."""
        if finding.start_ns < reason.start_ns - NEAR_NS or finding.end_ns > reason.end_ns + NEAR_NS:
            return False
        shared: _Name = (reason.place.bus, reason.place.message)
        return self._is_of_frames(shared, finding) or self._is_of_values(shared, finding)

    def _is_of_frames(self, shared: _Name, finding: Finding) -> bool:
        """Whether it is about how the message came, or a copy of it, or the other messages of its sender."""
        if finding.kind not in _OF_FRAMES:
            return False
        name: _Name = (finding.place.bus, finding.place.message)
        if name == shared:
            return True
        node = self._node.get(shared)
        if finding.kind == RESTART:
            return node is not None and finding.facts.get("node") == node
        if finding.kind != RATE:
            return False
        is_copy = finding.place.message in self._copies.get(shared, ())
        too_often = (finding.value or 0.0) < (finding.limit or 0.0)
        return is_copy or (too_often and node is not None and self._node.get(name) == node)

    def _is_of_values(self, shared: _Name, finding: Finding) -> bool:
        """Whether it is about what the message says, or about an axis that it commands or reports."""
        if finding.kind in _OF_VALUES:
            axis = self._axis.get(str(finding.facts.get("axis")), set())
            return shared in axis or (finding.place.bus, finding.place.message) == shared
        if finding.kind != "state":
            return False
        if finding.facts.get("wrong") == "enable_not_followed":
            return self._enabled_by.get(str(finding.facts.get("machine"))) == shared
        return (finding.place.bus, finding.place.message) == shared


def without_what_two_senders_do(
    findings: Iterable[Finding], spec: Spec, rules: Sequence[MessageRule]
) -> list[Finding]:
    """Return the findings; what two senders of one message explain of others is a part of that.

    Args:
        findings: The findings.
        spec: The spec.
        rules: The message rules, one a stream.
    """
    findings = list(findings)
    reasons = [one for one in findings if one.kind == TWO_SENDERS and one.severity is Severity.ERROR]
    return told_with(findings, reasons, _Shared(spec, rules).explains) if reasons else findings
