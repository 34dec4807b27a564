"""The atom of order: what came first, as far as the samples tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.onsets import HANDED_BACK_NS, axis_changes, withdrawals
from canmap.mapping.model import Trigger
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.findings.finding import Finding
    from canmap.records.change import Change

LONGEST_SAMPLE_NS = 100 * MS  # of what nothing shows sooner
HELD_BACK = 2  # minimum gaps, within which the frame before may have held one back
OPENED_NS = 1_500 * MS  # before the begin, in which the stop loop may have opened for it


class When(NamedTuple):
    """Between which moments something began."""

    after_ns: int
    until_ns: int

    def before(self, other: When) -> bool:
        """Whether it surely began before another thing."""
        return self.until_ns <= other.after_ns


def order(case: CaseFile) -> Iterator[Evidence]:
    """What came first; claimed only where it cannot have been otherwise."""
    axis = first_of_changes(
        [one for one in axis_changes(case.result) if one.before is AxisState.ACTIVE], case
    )
    stop = first_of_changes([o for o in case.result.changes if is_stop(case, o)], case)
    taken = first_of_changes(list(withdrawals(case.result)), case)
    kit, of_any = _silence(case, Role.KIT), _silence(case, Role.KIT, Role.OTHER)
    demand = _silence(case, Role.COMPUTER) or refusal(case)
    pairs = (
        ("stop_first", stop, kit or axis),
        ("silence_first", of_any, taken),
        ("withdrawal_first", taken, axis),
        ("demand_first", demand, axis),
        ("axis_first", axis, demand or taken),
    )
    for value, one, other in pairs:
        if one is not None and other is not None and one.before(other):
            yield Evidence(atom=Atom.ORDER, value=value, from_ns=one.after_ns, to_ns=other.until_ns)
    if taken is not None and axis is not None and 0 <= axis.until_ns - taken.until_ns <= HANDED_BACK_NS:
        yield Evidence(
            atom=Atom.ORDER, value="axis_with_withdrawal", from_ns=taken.after_ns, to_ns=axis.until_ns
        )


def is_stop(case: CaseFile, change: Change) -> bool:
    """Tell whether a change asks for a stop, or is one."""
    return issubclass(case.result.record_types[change.record], Stop) and bool(change.after)


def brief_openings(case: CaseFile) -> list[Finding]:
    """Return what tells around the begin that the stop loop opened for less than its samples show."""
    from_ns = max(case.begin_ns - OPENED_NS, case.own_from_ns)
    to_ns = case.begin_ns + LONGEST_SAMPLE_NS
    told = (one for one in case.result.findings if one.kind == "stop_chain" and one.facts.get("told_by"))
    return [one for one in told if from_ns <= one.start_ns <= to_ns]


def first_of_changes(changes: list[Change], case: CaseFile) -> When | None:
    """Return when the first of some changes happened: after the sample before, until its own.

    None of an episode before.
    """
    from_ns = max(case.begin_ns - 2_000 * MS, case.own_from_ns)
    for change in changes:
        if from_ns <= change.clock_ns <= case.end_ns + 500 * MS:
            return When(_sampled_before(case, change), change.clock_ns)
    return None


def _sampled_before(case: CaseFile, change: Change) -> int:
    """When the value before was last told; a message that comes on a change is late by its minimum gap.

    By more where the frame before it may have held it back: as long as its sender takes to look again.
    """
    rule = next(rule for rule in case.spec.records if rule.name == change.record)
    sources = [field.sources for field in rule.fields if field.type.name == change.field]
    named = (sources[0][0].bus, sources[0][0].message) if sources and sources[0] else (rule.bus, rule.stamp)
    slot = next(slot for slot, r in enumerate(case.rules) if (r.bus, r.message.name) == named)
    clock = case.clock(slot)
    told = clock[clock <= change.clock_ns]  # the last tells it, the one before does not
    before_ns = int(told[-2]) if len(told) > 1 else case.window.from_ns
    message = case.rules[slot]
    gap_ns = message.minimum_gap_ns or LONGEST_SAMPLE_NS
    if message.trigger is Trigger.ON_CHANGE and change.clock_ns - before_ns > HELD_BACK * gap_ns:
        return change.clock_ns - gap_ns
    return before_ns


def _silence(case: CaseFile, *roles: Role) -> When | None:
    gap = next((gap for gap in case.gaps if case.roles[gap.slot] in roles), None)
    return None if gap is None else When(gap.last_ns, gap.due_ns)


def refusal(case: CaseFile) -> When | None:
    """Return when a demand first came that the kit does not take, None for never."""
    failed = case.window.prepared.failed
    for slot in range(len(case.rules)):
        if case.roles[slot] is Role.COMPUTER:
            rows = failed[np.isin(failed, case.rows(slot))]
            clock = case.window.prepared.chunk.t_ns[rows]
            clock = clock[clock >= case.begin_ns - 50 * MS]
            if len(clock):
                earlier = case.clock(slot)[case.clock(slot) < clock[0]]
                return When(int(earlier[-1]) if len(earlier) else case.window.from_ns, int(clock[0]))
    return None
