"""When what evidence tells began: after the last frame that was without it, by the first that shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.diagnosis.facts.atoms_of_order import _sampled_before
from canmap.diagnosis.facts.begins import TRANSIT_NS
from canmap.diagnosis.facts.evidence import Atom

if TYPE_CHECKING:
    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.records.change import Change

SILENCES = {(Atom.DEMAND, "missing"), (Atom.DEMAND, "missing_long")}
RESTARTS = {"began_anew", "several_began_anew"}
OF_RECORDS = {Atom.STOP_CHAIN, Atom.KIT, Atom.DEMAND}  # whose subject is a record, or a field of one


class Onset(NamedTuple):
    """Between which moments something began.

    Attributes:
        after_ns: Session clock after which it began; None where it was so before anything was looked at.
        by_ns: By which it had begun, and was seen.
    """

    after_ns: int | None
    by_ns: int

    def may_precede(self, other: Onset) -> bool:
        """Whether it may have begun before another thing."""
        return self.after_ns is None or self.after_ns < other.by_ns


def began(one: Evidence, case: CaseFile) -> Onset:
    """Return between which moments began what a piece of evidence tells.

    A silence begins somewhere between the last frame and the moment at which the next was due, a change of
    a field between two of its records; what stands in one frame has one moment.
    """
    if one.atom is Atom.REACH or (one.atom, one.value) in SILENCES:
        names = set(one.names) | {one.subject}
        dues = [gap.due_ns for gap in case.gaps if case.rules[gap.slot].message.name in names]
        return Onset(one.from_ns - TRANSIT_NS, max(one.from_ns, min(dues, default=one.from_ns)))
    if one.value in RESTARTS and not one.subject:  # by a count, an uptime or a boot frame
        return Onset(one.from_ns, one.to_ns)
    record = one.subject.partition(".")[0]
    if one.atom not in OF_RECORDS or one.line is not None or record not in case.window.records:
        return Onset(one.from_ns, one.from_ns)
    changes = (c for c in case.result.changes if c.record == record and c.clock_ns == one.from_ns)
    change = next(changes, None)
    return Onset(None, one.from_ns) if change is None else changed(change, case)


def changed(change: Change, case: CaseFile) -> Onset:
    """Return between which moments a field changed."""
    return Onset(_sampled_before(case, change), change.clock_ns)
