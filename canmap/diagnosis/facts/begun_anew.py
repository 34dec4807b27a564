"""Nodes that began anew: by what they count, by what their axes say, by what they send unasked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.atoms_of_silence import WHOLE, phase_of
from canmap.diagnosis.facts.case_file import DUE, MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.mapping.model import Trigger
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.facts.case_file import CaseFile, Gap
    from canmap.records.change import Change

OFF_NS = 200 * MS  # within which a node that starts anew tells that its axis is off; common practice
START_NS = 2_000 * MS  # for which its axis then stays off, for a test of its own; common practice


def begun_anew(case: CaseFile, off: list[Change]) -> Iterator[Evidence]:
    """Yield which nodes began anew, one or several; `off` is where axes of the episode said that they are."""
    anew = [one for one in off if _after_silence(case, one) or _by_own_word(case, one)]
    if anew:
        yield of_changes("began_anew", anew)
    yield from _restarts(case)
    yield from _unasked(case)
    yield from _several(case, anew)


def of_changes(value: str, changes: list[Change]) -> Evidence:
    """Return what changes of the states of axes tell."""
    return Evidence(
        atom=Atom.KIT,
        value=value,
        role=Role.KIT,
        subject=changes[0].record,
        from_ns=changes[0].clock_ns,
        to_ns=changes[-1].clock_ns,
        names=tuple(dict.fromkeys(one.record for one in changes)),
    )


def _restarts(case: CaseFile) -> Iterator[Evidence]:
    """Nodes that tell themselves that they started anew: by restart count, uptime or boot frame."""
    for finding in case.findings("restart"):
        clues = finding.facts.get("clues") or (finding.facts.get("clue"),)
        if isinstance(clues, tuple) and set(clues) - {"counter", None}:
            yield Evidence(
                atom=Atom.KIT,
                value="began_anew",
                role=Role.KIT,
                from_ns=finding.start_ns,
                to_ns=finding.end_ns,
                names=(str(finding.facts.get("node", "")),),
                line=finding.line,
            )


def _unasked(case: CaseFile) -> Iterator[Evidence]:
    """Nodes that sent, as they came back, what they send on a change only, though nothing had changed.

    They do not know any more what they sent last. Else such a message comes with its heartbeat; where a frame
    waited for the bus meanwhile it comes later than that, never sooner, and the timers of its node go on.
    """
    for gap in case.first_silent:
        sender = case.rules[gap.slot].sender
        for slot, rule in enumerate(case.rules):
            on_change = rule.trigger is Trigger.ON_CHANGE and rule.sender == sender
            heartbeat_ns = rule.heartbeat_ns or 0
            again = _same_again(case, gap, slot) if sender and on_change and heartbeat_ns else None
            if again is None:
                continue
            last_ns, at_ns = again
            beats = round((at_ns - last_ns) / heartbeat_ns)
            off_ns = abs(at_ns - last_ns - beats * heartbeat_ns)
            sooner = at_ns - last_ns < heartbeat_ns or phase_of(case, gap) == "restarted"
            if sooner and off_ns > WHOLE * max(beats, 1) * heartbeat_ns:
                yield Evidence(
                    atom=Atom.KIT,
                    value="began_anew",
                    role=case.roles[slot],
                    from_ns=gap.last_ns,
                    to_ns=at_ns,
                    names=(sender or "",),
                    line=case.line(at_ns, slot),
                )
                return


def _same_again(case: CaseFile, gap: Gap, slot: int) -> tuple[int, int] | None:
    """When a message came before a silence of its sender, and when as that ended, if both say the same."""
    period_ns, clock, rows = case.period_ns(gap.slot) or 0, case.clock(slot), case.rows(slot)
    place = int(clock.searchsorted(gap.last_ns, "right"))
    if gap.next_ns is None or not 0 < place < len(clock):
        return None
    if abs(int(clock[place]) - gap.next_ns) > DUE * period_ns:
        return None
    payload = case.window.prepared.chunk.payload[rows[place - 1 : place + 1]]
    return (int(clock[place - 1]), int(clock[place])) if (payload[0] == payload[1]).all() else None


def _several(case: CaseFile, anew: list[Change]) -> Iterator[Evidence]:
    """Several nodes that came back as after power-on, by what the axes or the nodes themselves tell."""
    back = {case.rules[gap.slot].sender for gap in case.gaps}
    back |= {_teller(case, one.record) for one in anew if _by_own_word(case, one)}
    told = {_teller(case, one.record): one.clock_ns for one in anew if _teller(case, one.record) in back}
    told |= {
        str(one.facts.get("node")): one.start_ns for one in case.findings("restart") if one.facts.get("node")
    }
    told.pop("", None)
    if len(told) > 1:
        yield Evidence(
            atom=Atom.KIT,
            value="several_began_anew",
            role=Role.KIT,
            from_ns=min(told.values()),
            to_ns=max(told.values()),
            names=tuple(told),
        )


def _teller(case: CaseFile, record: str) -> str:
    """The node whose message tells the state of an axis."""
    rule = next(rule for rule in case.spec.records if rule.name == record)
    told = {
        (field.sources[0].bus, field.sources[0].message)
        for field in rule.fields
        if field.type.kind is AxisState
    }
    return next((r.sender or "" for r in case.rules if (r.bus, r.message.name) in told), "")


def _after_silence(case: CaseFile, change: Change) -> bool:
    """Whether an axis says that it is off right when its message is back: it has started anew."""
    returned = [gap.next_ns for gap in case.gaps if gap.next_ns is not None]
    return any(abs(change.clock_ns - next_ns) <= 50 * MS for next_ns in returned)


def _by_own_word(case: CaseFile, change: Change) -> bool:
    """Whether the node of an axis that was active says that it is off, and starts it again, or paused before.

    No axis that runs goes through off but by a start. One that stays off may have been switched off: then
    its node has paused just before, too briefly to be silent.
    """
    node, rule = _teller(case, change.record), next(r for r in case.spec.records if r.name == change.record)
    slots = [slot for slot, one in enumerate(case.rules) if one.sender == node]
    of_node = {case.rules[slot].message.name for slot in slots}
    if change.before is not AxisState.ACTIVE or rule.stamp not in of_node:
        return False
    starts = change.held_ns is not None and change.held_ns <= START_NS
    return starts or _paused(case, slots, change.clock_ns)


def _paused(case: CaseFile, slots: list[int], until_ns: int) -> bool:
    """Whether none of some messages came for longer than the fastest takes, just before a moment."""
    periods_ns = [period_ns for slot in slots if (period_ns := case.period_ns(slot))]
    if not periods_ns:
        return False
    clock = np.sort(np.concatenate([case.clock(slot) for slot in slots]))
    clock = clock[(clock >= case.window.from_ns) & (clock <= until_ns)]
    pauses = np.flatnonzero(np.diff(clock) > DUE * min(periods_ns))
    return len(pauses) > 0 and until_ns - clock[pauses[-1] + 1] <= OFF_NS
