"""Silences in groups that may have begun at one moment.

A message falls silent somewhere between its last frame and the time at which its next one was due. A node
that loses its supply lives on its capacitor for a while, each for its own time: so its supply may have been
cut some time before its last frame.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.findings.kinds import MISSING, STALE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.findings.finding import Finding
    from canmap.mapping.manual import Manual
    from canmap.mapping.model import MessageRule

LATE = 1.25  # a frame is due after its period; jitter may add a quarter
USUAL_HOLD_UP_NS = 50_000_000  # of a node of which the spec does not say it: the longest, common practice


def due_ns(finding: Finding, rules: Sequence[MessageRule]) -> int:
    """Return until when the next frame of a silent message was due."""
    rule = rules[finding.stream or 0]
    period_ns = rule.period_ns or rule.heartbeat_ns or rule.stale_after_ns or 0
    return finding.start_ns + round(LATE * period_ns)


def begun_together(
    silences: list[Finding], rules: Sequence[MessageRule], manual: Manual
) -> list[list[Finding]]:
    """Return silences in groups of one kind, those of each with a moment at which all may have begun.

    Groups in which nodes fell silent that one relay feeds are one, if it may have cut them at one moment.
    """
    clusters: list[list[Finding]] = []
    for kind in (MISSING, STALE):
        until_ns = 0
        for finding in sorted((f for f in silences if f.kind == kind), key=lambda f: f.start_ns):
            its_due_ns = due_ns(finding, rules)
            if clusters and clusters[-1][0].kind == kind and finding.start_ns <= until_ns:
                clusters[-1].append(finding)
                until_ns = min(until_ns, its_due_ns)
            else:
                clusters.append([finding])
                until_ns = its_due_ns
    fed = [frozenset(nodes) for nodes in manual.supply_groups.values()]
    hold_up_ns = {node.name: node.hold_up_ns for node in manual.nodes if node.hold_up_ns}
    merged = clusters[:1]
    for cluster in clusters[1:]:
        both = [*merged[-1], *cluster]
        if any(_cut_together(both, cluster, nodes, rules, hold_up_ns) for nodes in fed):
            merged[-1] = both
        else:
            merged.append(cluster)
    return merged


def _cut_together(
    both: list[Finding],
    later: list[Finding],
    nodes: frozenset[str],
    rules: Sequence[MessageRule],
    hold_up_ns: dict[str, int],
) -> bool:
    """Whether one cut may be behind the silences of some nodes, `later` ones and those before them."""
    if both[0].kind != STALE:
        return False
    cut = [finding for finding in both if rules[finding.stream or 0].sender in nodes]
    if not 0 < sum(any(one is each for one in later) for each in cut) < len(cut):
        return False
    earliest_ns = max(
        one.start_ns - hold_up_ns.get(rules[one.stream or 0].sender or "", USUAL_HOLD_UP_NS) for one in cut
    )
    return earliest_ns <= min(due_ns(one, rules) for one in cut)
