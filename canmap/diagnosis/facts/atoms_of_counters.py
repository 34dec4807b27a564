"""The atom of counters: what they did over a silence, who counts twice, leaves values out, or stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.atoms_of_silence import DRIFT, reach_of, sure
from canmap.diagnosis.facts.case_file import DUE
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.facts.left_out import left_out
from canmap.diagnosis.facts.missed_together import by_bus
from canmap.findings.kinds import TWO_SENDERS
from canmap.signals.promised import ring_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.facts.case_file import CaseFile, Gap

PAIRED = 0.4  # of frames that are sent twice, every second one is like the one before


def counter(case: CaseFile) -> Iterator[Evidence]:
    """What the counters of what fell silent first did over the silence; who counts twice, or not at all."""
    possible: dict[Role, set[str]] = {}
    named: dict[Role, list[Gap]] = {}
    chance: dict[Role, float] = {}
    at_once = bool(case.first_silent) and reach_of(case, case.first_silent) == "everything"
    for gap in case.first_silent:
        role = case.roles[gap.slot]
        ways = _ways(case, gap)
        if ways is None or role is Role.COPY:
            continue
        role = Role.ANY if at_once else role
        named.setdefault(role, []).append(gap)
        possible[role] = possible.get(role, {"goes_on", "skipped", "anew"}) & ways[0]
        chance[role] = chance.get(role, 1.0) / ways[1]
    for role, left in possible.items():
        if len(left) == 1:
            gaps = named[role]
            yield Evidence(
                atom=Atom.COUNTER,
                value=next(iter(left)),
                role=role,
                from_ns=min(gap.last_ns for gap in gaps),
                to_ns=max(gap.next_ns or 0 for gap in gaps),
                strength=sure(chance[role]),
                names=tuple(case.rules[gap.slot].message.name for gap in gaps),
            )
    yield from _doubled(case)
    yield from _left_out(case)
    yield from _holes(case)
    yield from _stands(case)


def _ways(case: CaseFile, gap: Gap) -> tuple[set[str], int] | None:
    """What a counter may have done over a silence, and of how many values it is; None for no counter."""
    rule = case.rules[gap.slot]
    if rule.counter is None or gap.next_ns is None or rule.counter.per != "message":
        return None
    column = case.plan.column_of[rule.bus, rule.message.name, rule.counter.signal.signal]
    ring = ring_of(rule.counter, case.plan.columns[column].signal.bits)
    clock, values = case.samples(column)
    before, after = clock.searchsorted(gap.last_ns), clock.searchsorted(gap.next_ns)
    if after >= len(clock) or before >= len(clock) or clock[before] != gap.last_ns:
        return None
    places = ring.places(values[[before, after]].astype(np.int64))
    step = int(places[1] - places[0]) % ring.values
    period_ns = case.period_ns(gap.slot) or 1
    frames = (gap.next_ns - gap.last_ns) / period_ns
    slack = 0.75 + 2 * DRIFT * frames
    ways = {"goes_on"} if step == 1 else set()
    ways |= {"anew"} if places[1] <= 1 else set()
    off = abs((step - frames + ring.values / 2) % ring.values - ring.values / 2)
    ways |= {"skipped"} if off <= slack else set()
    return ways, ring.values


def _doubled(case: CaseFile) -> Iterator[Evidence]:
    """Who sends a message twice as often as promised: two senders by turns, or one each frame twice."""
    by_name = {(rule.bus, rule.message.name): slot for slot, rule in enumerate(case.rules)}
    told = {
        by_name.get((one.place.bus or "", one.place.message or "")): one for one in case.findings(TWO_SENDERS)
    }
    for slot in range(len(case.rules)):
        finding, span = told.get(slot), case.doubled(slot)
        if finding is None and span is None:
            continue
        from_ns, to_ns = span or (0, 0)
        from_ns, to_ns = (finding.start_ns, finding.end_ns) if finding else (from_ns, to_ns)
        yield Evidence(
            atom=Atom.COUNTER,
            value="sent_twice"
            if finding is None and _in_pairs(case, slot, from_ns, to_ns)
            else "two_at_once",
            role=case.roles[slot],
            subject=case.rules[slot].message.name,
            from_ns=from_ns,
            to_ns=to_ns,
            line=case.line(from_ns, slot),
        )


def _in_pairs(case: CaseFile, slot: int, from_ns: int, to_ns: int) -> bool:
    """Whether nearly every frame of a span says just what one of its neighbours says."""
    rows, clock = case.rows(slot), case.clock(slot)
    payload = case.window.prepared.chunk.payload[rows[(clock >= from_ns) & (clock <= to_ns)]]
    same = (payload[1:] == payload[:-1]).all(axis=1)
    return len(same) > 0 and bool(same.mean() >= PAIRED)


def _left_out(case: CaseFile) -> Iterator[Evidence]:
    """Whose counters leave out values, while no frame is missing."""
    for slot in range(len(case.rules)):
        if (found := left_out(case, slot)) is not None:
            yield Evidence(
                atom=Atom.COUNTER,
                value="leaves_out",
                role=case.roles[slot],
                subject=case.rules[slot].message.name,
                from_ns=found.from_ns,
                to_ns=found.to_ns,
                line=case.line(found.from_ns, slot),
                amount=float(found.frames),
            )


def _holes(case: CaseFile) -> Iterator[Evidence]:
    """Whose counters tell that frames are missing, here and there."""
    lost = [one for one in case.findings("loss") if one.severity != "note" and one.start_ns >= case.begin_ns]
    if not lost:
        return
    by_name = {(rule.bus, rule.message.name): slot for slot, rule in enumerate(case.rules)}
    held = _not_passed_on(case) | {
        (rule.bus, rule.message.name) for slot, rule in enumerate(case.rules) if left_out(case, slot)
    }
    unheard = by_bus(case)  # of which all is missing at once, and not here and there
    lost = [
        one for one in lost if (one.place.bus, one.place.message) not in held and one.place.bus not in unheard
    ]
    if not lost:
        return
    slots = [by_name[p.place.bus or "", p.place.message or ""] for p in lost if p.place.message]
    copies = all(case.roles[slot] is Role.COPY for slot in slots)
    senders = {case.rules[slot].sender for slot in slots if case.roles[slot] is not Role.COPY}
    role = Role.COPY if copies else Role.ONE_SENDER if len(senders) <= 1 else Role.SEVERAL_SENDERS
    yield Evidence(
        atom=Atom.COUNTER,
        value="holes",
        role=role,
        from_ns=min(one.start_ns for one in lost),
        to_ns=max(one.end_ns for one in lost),
        amount=float(sum(one.count for one in lost)),
        names=tuple(dict.fromkeys(case.rules[slot].message.name for slot in slots)),
        line=lost[0].line,
    )


def _not_passed_on(case: CaseFile) -> set[tuple[str | None, str | None]]:
    """The copies of what was silent, of which frames are missing because there were none to pass on."""
    silent = {(case.rules[gap.slot].bus, case.rules[gap.slot].message.name) for gap in case.gaps}
    return {
        (rule.bus, rule.message.name)
        for rule in case.rules
        if rule.relay_of and (rule.relay_of.message.bus, rule.relay_of.message.message) in silent
    }


def _stands(case: CaseFile) -> Iterator[Evidence]:
    for finding in case.findings("counter"):
        slot = _slot(case, finding.place.bus, finding.place.message)
        if slot is not None and finding.count >= 3 and _repeats(case, slot, finding.start_ns, finding.end_ns):
            yield Evidence(
                atom=Atom.COUNTER,
                value="stands",
                role=case.roles[slot],
                subject=case.rules[slot].message.name,
                from_ns=finding.start_ns,
                to_ns=finding.end_ns,
                line=finding.line,
                amount=float(finding.count),
            )


def _slot(case: CaseFile, bus: str | None, message: str | None) -> int | None:
    for slot, rule in enumerate(case.rules):
        if (rule.bus, rule.message.name) == (bus, message):
            return slot
    return None


def _repeats(case: CaseFile, slot: int, from_ns: int, to_ns: int) -> bool:
    """Whether most frames of a span failed because they repeat their counter."""
    rows, clock = case.rows(slot), case.clock(slot)
    inside = rows[(clock > from_ns) & (clock < to_ns)]
    failed = np.isin(inside, case.window.prepared.failed)
    return len(inside) > 0 and bool(failed.mean() > DUE / 2)
