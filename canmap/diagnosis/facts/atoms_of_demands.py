"""Atoms of what was asked and answered: demands, axes, and the stop chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.atoms_of_order import brief_openings
from canmap.diagnosis.facts.atoms_of_silence import LEAST_BUNCH, reach_of
from canmap.diagnosis.facts.begun_anew import begun_anew, of_changes
from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.facts.left_out import left_out
from canmap.diagnosis.facts.missed_together import by_bus
from canmap.diagnosis.onsets import axis_changes, withdrawals
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.mapping.model import RecordRule
    from canmap.records.change import Change

LEAST_REFUSED = 3  # frames in a row
BURST = 0.7  # of a period: the frames of a demand that was held up come closer than that
BRIEF_NS = 500 * MS  # by so much a demand may be late; common practice
AROUND_NS = 1_000 * MS
STOP_BEFORE_NS = 1_500 * MS
SOON_AFTER_NS = 700 * MS
TOGGLES_NS = 100 * MS  # a bit that comes back so soon is of two senders, and not taken back


def demand(case: CaseFile) -> Iterator[Evidence]:
    """What the computer asked, and whether the kit could take it."""
    found = [one for slot in _demands(case) for one in _of_demand(case, slot)]
    found += [*_all_missing(case), *_withdrawn(case), *_too_early(case), *_out_of_range(case)]
    yield from found
    if not found and _demands(case) and not any(map(case.doubled, _demands(case))):
        names = tuple(case.rules[slot].message.name for slot in _demands(case))
        yield Evidence(
            atom=Atom.DEMAND,
            value="on_time",
            role=Role.COMPUTER,
            from_ns=case.begin_ns,
            to_ns=case.end_ns,
            names=names,
        )


def _demands(case: CaseFile) -> list[int]:
    asked = {(one.message.bus, one.message.message) for one in case.spec.manual.demands}
    return [slot for slot, rule in enumerate(case.rules) if (rule.bus, rule.message.name) in asked]


def _of_demand(case: CaseFile, slot: int) -> Iterator[Evidence]:
    name = case.rules[slot].message.name
    gap = next((gap for gap in case.gaps if gap.slot == slot), None)
    if gap is not None:
        until_ns = gap.next_ns or case.window.to_ns
        yield Evidence(
            atom=Atom.DEMAND,
            value="missing" if until_ns - gap.last_ns <= BRIEF_NS else "missing_long",
            role=Role.COMPUTER,
            subject=name,
            from_ns=gap.last_ns,
            to_ns=until_ns,
            amount=(until_ns - gap.last_ns) / 1e9,
            line=case.line(gap.last_ns, slot),
        )
        if (burst := _bunch(case, slot, until_ns)) is not None:
            yield Evidence(
                atom=Atom.DEMAND,
                value="bunched",
                role=Role.COMPUTER,
                subject=name,
                from_ns=burst,
                to_ns=burst,
            )
    yield from _refused(case, slot, name)


def _all_missing(case: CaseFile) -> Iterator[Evidence]:
    """All demands of the computer fell silent together."""
    slots = _demands(case)
    gaps = [gap for gap in case.gaps if gap.slot in slots]
    if len(slots) < 2 or {gap.slot for gap in gaps} != set(slots):
        return
    if max(gap.last_ns for gap in gaps) <= min(gap.due_ns for gap in gaps):
        yield Evidence(
            atom=Atom.DEMAND,
            value="all_missing",
            role=Role.COMPUTER,
            from_ns=max(gap.last_ns for gap in gaps),
            to_ns=min(gap.next_ns or case.window.to_ns for gap in gaps),
            names=tuple(case.rules[gap.slot].message.name for gap in gaps),
        )


def _bunch(case: CaseFile, slot: int, after_ns: int) -> int | None:
    """When frames came closer than they should after a silence; None where they did not."""
    period_ns, clock = case.period_ns(slot) or 1, case.clock(slot)
    clock = clock[clock >= after_ns]
    close = np.diff(clock) < BURST * period_ns
    runs = np.convolve(close, np.ones(LEAST_BUNCH, np.int64), "valid") if len(close) >= LEAST_BUNCH else close
    at = np.flatnonzero(runs >= LEAST_BUNCH)
    return int(clock[at[0]]) if len(at) else None


def _refused(case: CaseFile, slot: int, name: str) -> Iterator[Evidence]:
    """Frames of a demand in a row whose checksum is wrong, or that repeat their counter."""
    prepared, rows, clock = case.window.prepared, case.rows(slot), case.clock(slot)
    inside = (clock >= case.begin_ns - AROUND_NS) & (clock <= case.begin_ns + AROUND_NS)
    failed = np.isin(rows, prepared.failed) & inside
    if np.count_nonzero(failed) < LEAST_REFUSED:
        yield from _left_out(case, slot, name)
        return
    protected, wrong = prepared.protected, np.zeros(len(rows), np.bool_)
    if protected is not None and slot in protected.slots:
        wrong = protected.verdict.wrong[protected.part_of(slot)]
    by_checksum = np.count_nonzero(failed & wrong) >= np.count_nonzero(failed) / 2
    first, last = int(clock[failed][0]), int(clock[failed][-1])
    yield Evidence(
        atom=Atom.DEMAND,
        value="checksum_refused" if by_checksum else "counter_refused",
        role=Role.COMPUTER,
        subject=name,
        from_ns=first,
        to_ns=last,
        amount=float(np.count_nonzero(failed)),
        line=case.line(first, slot),
    )


def _left_out(case: CaseFile, slot: int, name: str) -> Iterator[Evidence]:
    """Frames of a demand whose counter leaves out values: the kit takes none of them."""
    if (found := left_out(case, slot)) is not None:
        yield Evidence(
            atom=Atom.DEMAND,
            value="counter_refused",
            role=Role.COMPUTER,
            subject=name,
            from_ns=found.from_ns,
            to_ns=found.to_ns,
            amount=float(found.frames),
            line=case.line(found.from_ns, slot),
        )


def _withdrawn(case: CaseFile) -> Iterator[Evidence]:
    doubled = {case.rules[slot].message.name for slot in range(len(case.rules)) if case.doubled(slot)}
    twice = {rule.name for rule in case.spec.records if rule.stamp in doubled}
    taken = [one for one in withdrawals(case.result) if _near(case, one) and one.record not in twice]
    if taken and (taken[0].held_ns is None or taken[0].held_ns > TOGGLES_NS):
        yield Evidence(
            atom=Atom.DEMAND,
            value="withdrawn",
            role=Role.COMPUTER,
            subject=taken[0].name,
            from_ns=taken[0].clock_ns,
            to_ns=taken[-1].clock_ns,
            names=tuple(dict.fromkeys(one.name for one in taken)),
        )


def _too_early(case: CaseFile) -> Iterator[Evidence]:
    for finding in case.findings("state"):
        if str(finding.facts.get("wrong", "")).startswith("enable"):
            yield Evidence(
                atom=Atom.DEMAND,
                value="enabled_too_early",
                role=Role.COMPUTER,
                subject=f"{finding.place.message}.{finding.place.signal}",
                from_ns=finding.start_ns,
                to_ns=finding.end_ns,
                line=finding.line,
            )


def _out_of_range(case: CaseFile) -> Iterator[Evidence]:
    names = {case.rules[slot].message.name for slot in _demands(case)}
    for finding in case.findings("out_of_range", "slew"):
        if finding.place.message in names and (finding.kind == "out_of_range" or not finding.place.record):
            yield Evidence(
                atom=Atom.DEMAND,
                value="jump_refused" if finding.kind == "slew" else "out_of_range",
                role=Role.COMPUTER,
                subject=finding.place.message or "",
                from_ns=finding.start_ns,
                to_ns=finding.end_ns,
                line=finding.line,
                amount=finding.value,
            )


def _near(case: CaseFile, change: Change) -> bool:
    from_ns = max(case.begin_ns - AROUND_NS, case.own_from_ns)
    return from_ns <= change.clock_ns <= case.begin_ns + 3 * AROUND_NS


def kit(case: CaseFile) -> Iterator[Evidence]:
    """What the axes said of themselves."""
    changes = [one for one in axis_changes(case.result) if _in_episode(case, one)]
    left = [one for one in changes if one.before is AxisState.ACTIVE]
    for value, states in (
        ("let_go", {AxisState.READY, AxisState.STANDBY, AxisState.OFF}),
        ("overridden", {AxisState.OVERRIDDEN}),
        ("faulted", {AxisState.FAULTED}),
    ):
        of_value = [one for one in left if one.after in states]
        of_value = of_value or [one for one in changes if value == "faulted" and one.after in states]
        if of_value:
            yield of_changes(value, of_value)
    off = [one for one in changes if one.after is AxisState.OFF]
    yield from begun_anew(case, off)
    active = [rule.name for rule in case.spec.records if _stayed(case, rule.name, left)]
    if active and not left:
        yield Evidence(
            atom=Atom.KIT,
            value="stayed_active" if _concerned(case) else "not_concerned",
            role=Role.KIT,
            from_ns=case.begin_ns,
            to_ns=case.end_ns,
            names=tuple(active),
        )
    for finding in case.findings("fault_reported"):
        if finding.severity == "error" and finding.start_ns >= case.begin_ns - AROUND_NS:
            yield Evidence(
                atom=Atom.KIT,
                value="reported_fault",
                role=Role.KIT,
                subject=str(finding.facts.get("text", "")),
                from_ns=finding.start_ns,
                to_ns=finding.end_ns,
                line=finding.line,
            )


def _concerned(case: CaseFile) -> bool:
    """Whether the axes would notice: not the silence of a bus that carries nothing of kit or computer."""
    buses = set(by_bus(case))
    reached = reach_of(case, case.first_silent) if case.first_silent else ""
    if not buses and reached != "bus":
        return True
    of = [gap.slot for gap in case.first_silent if case.roles[gap.slot] is not Role.COPY]
    buses = buses or {case.rules[slot].bus for slot in of}
    told = {role for role, rule in zip(case.roles, case.rules, strict=True) if rule.bus in buses}
    return bool(told & {Role.KIT, Role.COMPUTER})


def _in_episode(case: CaseFile, change: Change) -> bool:
    return (
        case.begin_ns - 50 * MS
        <= change.clock_ns
        <= max(case.end_ns + SOON_AFTER_NS, case.begin_ns + AROUND_NS)
    )


def _stayed(case: CaseFile, record: str, left: list[Change]) -> bool:
    rule = next(rule for rule in case.spec.records if rule.name == record)
    chunk = case.window.records.get(record)
    if chunk is None or any(one.record == record for one in left):
        return False
    for field in rule.fields:
        if field.type.kind is AxisState:
            column = chunk.columns[field.type.name]
            before = np.flatnonzero((chunk.clock_ns <= case.begin_ns) & column.valid)
            after = np.flatnonzero((chunk.clock_ns > case.begin_ns) & column.valid)
            at = [*before[-1:], *after[-1:]]
            return len(at) == 2 and bool((column.values[at] == AxisState.ACTIVE).all())
    return False


CHAIN = {
    "pressed": ("pressed", "released"),
    "link_lost": ("lost", "there"),
    "loop_open": ("open", "closed"),
    "supply_cut": ("cut", "fed"),
}
PART = {"pressed": Role.BUTTON, "link_lost": Role.LINK, "loop_open": Role.LOOP, "supply_cut": Role.RELAY}
TOLD = {on for on, _ in CHAIN.values()}


def stop_chain(case: CaseFile) -> Iterator[Evidence]:
    """Each button, link, loop and relay: what it did around the begin, or that all like it stayed quiet."""
    found = [one for rule in case.spec.records for one in _of_stop(case, rule)]
    found += _opened_briefly(case)
    told = {one.role for one in found if one.value in TOLD}
    yield from (one for one in found if one.value in TOLD or one.role not in told)


def _opened_briefly(case: CaseFile) -> Iterator[Evidence]:
    """That the stop loop opened for less than its samples show, where an event tells of it."""
    chain = case.spec.manual.stop_chain
    for finding in brief_openings(case)[:1] if chain else ():
        yield Evidence(
            atom=Atom.STOP_CHAIN,
            value="open",
            role=Role.LOOP,
            subject=".".join(chain.loop) if chain else "",
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            line=finding.line,
        )


def _of_stop(case: CaseFile, rule: RecordRule) -> Iterator[Evidence]:
    chunk = case.window.records.get(rule.name)
    if not issubclass(rule.type, Stop) or chunk is None:
        return
    from_ns, to_ns = max(case.begin_ns - STOP_BEFORE_NS, case.own_from_ns), case.begin_ns + SOON_AFTER_NS
    for field in rule.fields:
        on, off = CHAIN[field.type.name]
        column = chunk.columns[field.type.name]
        inside = np.flatnonzero((chunk.clock_ns >= from_ns) & (chunk.clock_ns <= to_ns) & column.valid)
        if not len(inside):
            continue
        told = inside[column.values[inside] != 0]
        since = chunk.clock_ns[told[0] if len(told) else inside[0]]
        yield Evidence(
            atom=Atom.STOP_CHAIN,
            value=on if len(told) else off,
            role=PART[field.type.name],
            subject=f"{rule.name}.{field.type.name}",
            from_ns=int(since),
            to_ns=int(chunk.clock_ns[inside[-1]]),
        )
