"""The atom of order: what came first, as far as the samples tell, and between which moments it all began."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.case_file import MS
from canmap.diagnosis.evidence import Atom, Evidence, Role
from canmap.diagnosis.onsets import OnsetKind, axis_changes, withdrawals
from canmap.mapping.model import Trigger
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.diagnosis.case_file import CaseFile
    from canmap.records.change import Change

EARLY = {"past_threshold", "two_at_once", "flood"}  # of which what else is seen may be the consequence
DOUBTFUL = {OnsetKind.FRAMES_DOUBTFUL, OnsetKind.VALUES_DOUBTFUL, OnsetKind.STAMPS_DOUBTFUL}
LONGEST_SAMPLE_NS = 100 * MS  # of what nothing shows sooner


class _When(NamedTuple):
    """Between which moments something began."""

    after_ns: int
    until_ns: int

    def before(self, other: _When) -> bool:
        """Whether it surely began before another thing."""
        return self.until_ns <= other.after_ns


def begins_between(case: CaseFile, evidence: Iterable[Evidence]) -> tuple[int, int]:
    """Return between which moments, session clock, an episode began.

    It is seen only at the next sample of whatever shows it first: where several may be the first, it began
    somewhere in the time that they span.
    """
    axis = _first([one for one in axis_changes(case.result) if one.before is AxisState.ACTIVE], case)
    stop = _first([one for one in case.result.changes if _is_stop(case, one)], case)
    originals = [gap for gap in case.first_silent if case.roles[gap.slot] is not Role.COPY]
    silent = originals or case.first_silent  # a copy comes later than what it is a copy of
    quiet = _When(max(g.last_ns for g in silent), min(g.due_ns for g in silent)) if silent else None
    seen = [one for one in (axis, stop, quiet, _refusal(case)) if one is not None]
    seen += [_When(one.from_ns - LONGEST_SAMPLE_NS, one.from_ns) for one in evidence if one.value in EARLY]
    if not seen or case.span.onsets[0].kind in DOUBTFUL:
        seen.append(_When(case.begin_ns - LONGEST_SAMPLE_NS, case.begin_ns))
    until_ns = min(one.until_ns for one in seen)
    return min(one.after_ns for one in seen if one.after_ns < until_ns), until_ns


def order(case: CaseFile) -> Iterator[Evidence]:
    """What came first; claimed only where it cannot have been otherwise."""
    axis = _first([one for one in axis_changes(case.result) if one.before is AxisState.ACTIVE], case)
    stop = _first([o for o in case.result.changes if _is_stop(case, o)], case)
    taken = _first(list(withdrawals(case.result)), case)
    kit = _silence(case, Role.KIT)
    demand = _silence(case, Role.COMPUTER) or _refusal(case)
    pairs = (
        ("stop_first", stop, kit or axis),
        ("silence_first", kit, taken),
        ("withdrawal_first", taken, axis),
        ("demand_first", demand, axis),
        ("axis_first", axis, demand or taken),
    )
    for value, one, other in pairs:
        if one is not None and other is not None and one.before(other):
            yield Evidence(atom=Atom.ORDER, value=value, from_ns=one.after_ns, to_ns=other.until_ns)


def _is_stop(case: CaseFile, change: Change) -> bool:
    return issubclass(case.result.record_types[change.record], Stop) and bool(change.after)


def _first(changes: list[Change], case: CaseFile) -> _When | None:
    """When the first of some changes in the episode happened: after the sample before, until its own."""
    for change in changes:
        if case.begin_ns - 2_000 * MS <= change.clock_ns <= case.end_ns + 500 * MS:
            return _When(_sampled_before(case, change), change.clock_ns)
    return None


def _sampled_before(case: CaseFile, change: Change) -> int:
    """When the value before was last told; a message that comes on a change is late by its minimum gap."""
    rule = next(rule for rule in case.spec.records if rule.name == change.record)
    message = next(r for r in case.rules if (r.bus, r.message.name) == (rule.bus, rule.stamp))
    records = case.window.records.get(change.record)
    clock = np.zeros(0, np.int64) if records is None else records.clock_ns
    earlier = clock[clock < change.clock_ns]
    before_ns = int(earlier[-1]) if len(earlier) else case.window.from_ns
    if message.trigger is Trigger.ON_CHANGE:
        return max(before_ns, change.clock_ns - (message.minimum_gap_ns or LONGEST_SAMPLE_NS))
    return before_ns


def _silence(case: CaseFile, role: Role) -> _When | None:
    gap = next((gap for gap in case.gaps if case.roles[gap.slot] is role), None)
    return None if gap is None else _When(gap.last_ns, gap.due_ns)


def _refusal(case: CaseFile) -> _When | None:
    failed = case.window.prepared.failed
    for slot in range(len(case.rules)):
        if case.roles[slot] is Role.COMPUTER:
            rows = failed[np.isin(failed, case.rows(slot))]
            clock = case.window.prepared.chunk.t_ns[rows]
            clock = clock[clock >= case.begin_ns - 50 * MS]
            if len(clock):
                earlier = case.clock(slot)[case.clock(slot) < clock[0]]
                return _When(int(earlier[-1]) if len(earlier) else case.window.from_ns, int(clock[0]))
    return None
