"""Atoms of silences: what fell silent together, and whether timers went on meanwhile."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.case_file import DUE, MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.facts.missed_together import by_bus, frames_of, moments_of
from canmap.frames.chunks import FrameKind
from canmap.timing.phase import WINDOW
from canmap.timing.timers import OverGap, Timer, over_gap

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile, Gap
    from canmap.diagnosis.facts.missed_together import Moment
    from canmap.frames.chunks import FrameChunk

WHOLE = 0.1  # of a period: so near to a whole number of them, a timer went on
LOOSEST = 0.25  # where frames come less evenly than that, no beat can be told
DRIFT = 2e-4  # of a time: how far a sender's clock may be off
BACK_TO_BACK = 0.5  # of a period: frames that come closer were waiting
LEAST_BUNCH = 3  # frames
GUARD_NS = 2 * MS
WAITED = 0.25  # of a silence: what waited comes in less than that once the bus is free
NEGLIGIBLE = 0.01  # a chance
OFTEN, KNOWN = 3, 10  # times in a silence; frames: what came at least so often before it had to come in it
UNBROKEN = 1.5  # periods, the longest time between frames of a stretch without a hole


def reach(case: CaseFile) -> Iterator[Evidence]:
    """What fell silent together, and what of the same went on."""
    yield from _late_copies(case)
    yield from _for_moments(case)
    first = case.first_silent
    if not first or {case.rules[gap.slot].bus for gap in first} <= set(by_bus(case)):
        return
    own = [gap for gap in first if case.roles[gap.slot] is not Role.COPY] or list(first)
    value = reach_of(case, own)
    slots = [gap.slot for gap in own]
    roles = {case.roles[slot] for slot in slots}
    role = roles.pop() if len(roles) == 1 else Role.ANY
    senders = tuple(dict.fromkeys(case.rules[slot].sender or "" for slot in slots))
    names = tuple(case.rules[slot].message.name for slot in slots)
    from_ns, to_ns = case.silent_from_ns, case.quiet_ns[1]
    one_message = value in {"one_message", "message_or_node", "copy_only"}
    subject = names[0] if one_message else senders[0] if value == "node" else ""
    yield Evidence(
        atom=Atom.REACH,
        value=value,
        role=role,
        subject=subject,
        from_ns=from_ns,
        to_ns=to_ns,
        line=case.line(from_ns, own[0].slot),
        amount=(to_ns - from_ns) / 1e9,
        names=names,
    )
    if value == "bus":
        yield from _copies(case, set(slots), case.quiet_ns)


def _late_copies(case: CaseFile) -> Iterator[Evidence]:
    for finding in case.findings("relay"):
        yield Evidence(
            atom=Atom.REACH,
            value="copy_late",
            role=Role.COPY,
            subject=finding.place.message or "",
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            amount=finding.value,
            line=finding.line,
        )


def _for_moments(case: CaseFile) -> Iterator[Evidence]:
    """Which buses were not recorded for moments, and whether copies of their messages came meanwhile."""
    found = by_bus(case)
    for bus, moments in found.items():
        longest = max(moments, key=lambda one: one.length_ns)
        alive = any(len(frames_of(case, other)) for other in case.spec.buses if other not in found)
        yield Evidence(
            atom=Atom.REACH,
            value="bus_for_moments" if alive else "everything_for_moments",
            subject=bus,
            from_ns=moments[0].from_ns,
            to_ns=moments[-1].to_ns,
            line=case.line(moments[0].from_ns),
            amount=longest.length_ns / 1e9,
        )
        slots = {slot for slot, rule in enumerate(case.rules) if rule.bus == bus}
        yield from _copies(case, slots, (longest.from_ns, longest.to_ns))


def _copies(case: CaseFile, slots: set[int], quiet_ns: tuple[int, int]) -> Iterator[Evidence]:
    """Whether copies of what fell silent went on coming on another bus: then it was only not recorded."""
    silent = {(case.rules[slot].bus, case.rules[slot].message.name) for slot in slots}
    from_ns, to_ns = quiet_ns
    for slot, rule in enumerate(case.rules):
        of = rule.relay_of
        if of is None or (of.message.bus, of.message.message) not in silent:
            continue
        clock, period_ns = case.clock(slot), case.period_ns(slot) or 0
        came = ((clock > from_ns + period_ns) & (clock < to_ns - GUARD_NS)).any()
        if to_ns - from_ns > 3 * period_ns:
            value = "copy_went_on" if came else "copy_stopped"
            yield Evidence(
                atom=Atom.REACH,
                value=value,
                role=Role.COPY,
                subject=rule.message.name,
                from_ns=from_ns,
                to_ns=to_ns,
            )


def reach_of(case: CaseFile, gaps: Sequence[Gap]) -> str:
    """The narrowest of what can be meant that holds all that fell silent, and nothing that went on."""
    slots = {gap.slot for gap in gaps}
    if all(case.roles[slot] is Role.COPY for slot in slots):
        return "bus" if _own_are_missing_too(case, slots) else "copy_only"
    senders = {case.rules[slot].sender for slot in slots}
    buses = {case.rules[slot].bus for slot in slots}
    if _others_silent(case, buses, senders):
        return _whole(case)
    if len(senders) == 1:
        return "bus" if _with_its_copies(case, slots) else _of_sender(case, slots)
    for nodes in case.spec.manual.supply_groups.values():
        fed = {slot for slot, rule in enumerate(case.rules) if rule.sender in nodes}
        if senders <= set(nodes) and not _alive(case, fed - slots):
            return "supply_group"
    return _of_buses(case, slots, senders, buses)


def _of_buses(case: CaseFile, slots: set[int], senders: set[str | None], buses: set[str]) -> str:
    """What of some buses fell silent, where that is neither one node's nor of one supply."""
    on_buses = {slot for slot, rule in enumerate(case.rules) if rule.bus in buses}
    if _alive(case, on_buses - slots):
        of_senders = {slot for slot, rule in enumerate(case.rules) if rule.sender in senders}
        return "several" if _alive(case, of_senders - slots) or None in senders else "several_nodes"
    heard = _heard(case, buses)
    if len(heard):
        return "lower_priorities" if _kept_waiting(case, slots, heard) else "several"
    return _whole(case)


def _whole(case: CaseFile) -> str:
    """What is silent where nothing comes on some buses: these, or all."""
    return "bus" if len(_heard(case, set(case.spec.buses))) else "everything"


def _kept_waiting(case: CaseFile, slots: set[int], heard: NDArray[np.intp]) -> bool:
    """Whether frames of higher priority went on all the time: once the bus is free, what waits comes."""
    chunk, (from_ns, to_ns) = case.window.prepared.chunk, _surely_quiet_ns(case)
    pause_ns = int(np.diff(chunk.t_ns[heard], prepend=from_ns, append=to_ns).max())
    lowest = min(case.rules[slot].message.can_id for slot in slots)
    return bool(chunk.can_id[heard].max() < lowest) and pause_ns <= min(
        case.period_ns(slot) or 0 for slot in slots
    )


def _others_silent(case: CaseFile, buses: set[str], senders: set[str | None]) -> bool:
    """Whether nothing came on a bus although others had come so often before that some had to come.

    Of these no period may be known: what came a few times in each such time before counts too.
    """
    from_ns, to_ns = _surely_quiet_ns(case)
    if len(_heard(case, buses)) or to_ns <= from_ns:
        return False
    for slot, rule in enumerate(case.rules):
        if rule.bus not in buses or rule.sender in senders - {None} or case.roles[slot] is Role.COPY:
            continue
        before = case.clock(slot)[case.clock(slot) <= from_ns]
        often = len(before) > KNOWN and int(np.diff(before).max()) * OFTEN <= to_ns - from_ns
        if often and slot not in {gap.slot for gap in case.first_silent}:
            return True
    return False


def _with_its_copies(case: CaseFile, slots: set[int]) -> bool:
    """Whether on one bus nothing came, copies of other buses' messages included, while another bus lived."""
    buses = {case.rules[slot].bus for slot in slots}
    copies = {slot for slot, rule in enumerate(case.rules) if rule.bus in buses and slot not in slots}
    copies &= {slot for slot in copies if case.roles[slot] is Role.COPY and case.period_ns(slot)}
    if len(buses) > 1 or not copies <= {gap.slot for gap in case.first_silent} or not copies:
        return False
    return not len(_heard(case, buses)) and bool(len(_heard(case, set(case.spec.buses))))


def _own_are_missing_too(case: CaseFile, slots: set[int]) -> bool:
    """Whether what a bus carries of its own was due while copies were silent, and did not come either."""
    from_ns, to_ns = case.quiet_ns
    return any(
        one.from_ns <= from_ns and to_ns <= one.to_ns and len(one.senders) > 1
        for bus in {case.rules[slot].bus for slot in slots}
        for one in moments_of(case, bus)[0]
    )


def _of_sender(case: CaseFile, slots: set[int]) -> str:
    sender = next(case.rules[slot].sender for slot in slots)
    others = {slot for slot, rule in enumerate(case.rules) if rule.sender == sender} - slots
    alive = _alive(case, others)
    if alive or sender is None:
        return "one_message" if len(slots) == 1 else "several"
    return "message_or_node" if len(slots) == 1 and not _missed_heartbeat(case, others) else "node"


def _missed_heartbeat(case: CaseFile, slots: set[int]) -> bool:
    """Whether one of some messages that come on a change was away for longer than its heartbeat too."""
    from_ns, _ = case.quiet_ns
    for slot in slots:
        heartbeat_ns, clock = case.rules[slot].heartbeat_ns, case.clock(slot)
        place = int(clock.searchsorted(from_ns))
        if heartbeat_ns and place:
            ends_ns = int(clock[place]) if place < len(clock) else case.window.to_ns
            if ends_ns - int(clock[place - 1]) > DUE * heartbeat_ns:
                return True
    return False


def _alive(case: CaseFile, slots: set[int]) -> bool:
    """Whether a message of some slots came while all of the first were silent; copies do not count."""
    from_ns, to_ns = _surely_quiet_ns(case)
    for slot in slots:
        if case.roles[slot] is Role.COPY:
            continue
        clock = case.clock(slot)
        if ((clock > from_ns) & (clock < to_ns - GUARD_NS)).any():
            return True
    return False


def _surely_quiet_ns(case: CaseFile) -> tuple[int, int]:
    """From when until when what silenced all of the first surely lasted.

    As it was over others may have come before them, each by no more than its period and its jitter.
    """
    from_ns, to_ns = case.quiet_ns
    ends_ns = [(gap.next_ns, round(DUE * (case.period_ns(gap.slot) or 0))) for gap in case.first_silent]
    over_ns = [next_ns - within_ns for next_ns, within_ns in ends_ns if next_ns is not None]
    return from_ns, min(to_ns, max(over_ns, default=to_ns))


def _heard(case: CaseFile, buses: set[str]) -> NDArray[np.intp]:
    """The frames that some buses carried while all of the first were silent.

    What comes in one go just before the first of them does not count: it waited with them for the bus.
    """
    return _heard_on(case, {case.spec.buses[bus].channel for bus in buses})


def _heard_on(case: CaseFile, names: set[str]) -> NDArray[np.intp]:
    """The same by the names of channels."""
    from_ns, to_ns = _surely_quiet_ns(case)
    chunk = case.window.prepared.chunk
    channels = [i for i, name in enumerate(chunk.channels) if name in names]
    inside = (chunk.t_ns > from_ns) & (chunk.t_ns < to_ns) & (chunk.kind != FrameKind.ERROR)
    rows = np.flatnonzero(inside & np.isin(chunk.channel, channels))
    pauses = np.flatnonzero(np.diff(chunk.t_ns[rows], prepend=from_ns, append=to_ns) > GUARD_NS)
    last = int(pauses[-1]) if len(pauses) else 0
    if last < len(rows) and to_ns - chunk.t_ns[rows[last]] < WAITED * (to_ns - from_ns):
        rows = rows[:last]
    return rows[chunk.t_ns[rows] < to_ns - GUARD_NS]


def went_on_undescribed(one: Evidence, case: CaseFile) -> list[str]:
    """Return the channels that the spec does not describe and that had frames while all others had none."""
    chunk = case.window.prepared.chunk
    others = [
        name for name in chunk.channels if name not in {bus.channel for bus in case.spec.buses.values()}
    ]
    if one.value == "everything":
        return [name for name in others if len(_heard_on(case, {name}))]
    moments = [moment for found in by_bus(case).values() for moment in found]
    return [name for name in others if any(_has_frames(chunk, name, moment) for moment in moments)]


def _has_frames(chunk: FrameChunk, channel: str, moment: Moment) -> bool:
    inside = (chunk.t_ns > moment.from_ns) & (chunk.t_ns < moment.to_ns) & (chunk.kind != FrameKind.ERROR)
    return bool((inside & (chunk.channel == chunk.channels.index(channel))).any())


def phase(case: CaseFile) -> Iterator[Evidence]:
    """Whether the timers of what fell silent first went on meanwhile."""
    told: dict[str, list[Gap]] = {}
    own = [gap for gap in case.first_silent if case.roles[gap.slot] is not Role.COPY]
    for gap in own or case.first_silent:
        told.setdefault(phase_of(case, gap), []).append(gap)
    if "back_to_back" in told and sum(map(len, told.values())) > 2 * len(told["back_to_back"]):
        del told["back_to_back"]  # a few frames that come close by chance
    told.pop("unknown", None)
    order_of = ("back_to_back", "no_return", "restarted", "kept")
    value = next((one for one in order_of if one in told), None)
    if value is None or (value == "no_return" and len(told) > 1):
        return
    gaps = told[value]
    roles = {case.roles[gap.slot] for gap in gaps}
    yield Evidence(
        atom=Atom.PHASE,
        value=value,
        role=roles.pop() if len(roles) == 1 else Role.ANY,
        from_ns=min(gap.last_ns for gap in gaps),
        to_ns=max(gap.next_ns or case.window.to_ns for gap in gaps),
        names=tuple(case.rules[gap.slot].message.name for gap in gaps),
        strength=sure(math.prod(_chance(case, gap) for gap in gaps)) if value == "kept" else 1.0,
    )


def sure(chance: float) -> float:
    """How sure something is that chance gives as often as that."""
    return 1.0 if chance < NEGLIGIBLE else 1 - chance


def phase_of(case: CaseFile, gap: Gap) -> str:
    """Return what the timer of a message did over a silence: a value of the atom, or unknown."""
    if gap.next_ns is None:
        return "no_return"
    period_ns = case.period_ns(gap.slot) or 1
    clock = case.clock(gap.slot)
    after = clock[clock >= gap.next_ns][: LEAST_BUNCH + 1]
    missed = (gap.next_ns - gap.last_ns) // period_ns
    close = np.diff(after) < BACK_TO_BACK * period_ns
    if missed >= LEAST_BUNCH and len(close) >= LEAST_BUNCH and close.all():
        return "back_to_back"
    told = _timer(case, gap)
    if told is not None and told.timer is not Timer.UNKNOWN:
        return "kept" if told.timer is Timer.RAN_ON else "restarted"
    allowed = _beat(case, gap)
    if allowed > LOOSEST:
        return "unknown"
    off_ns = np.abs((after - gap.last_ns + period_ns // 2) % period_ns - period_ns // 2)
    agrees = off_ns <= allowed * period_ns + DRIFT * (after - gap.last_ns)
    return "kept" if agrees[0] or _waited(after, agrees, period_ns) else "restarted"


def _waited(after: NDArray[np.int64], agrees: NDArray[np.bool_], period_ns: int) -> bool:
    """Whether the first frame behind a silence had only waited: those behind it are in the old beat.

    A node whose line is open sends its newest frame as it closes, and the next when that is due.
    """
    return len(after) > LEAST_BUNCH and bool(agrees[1:].all()) and int(after[1] - after[0]) < period_ns


def _timer(case: CaseFile, gap: Gap) -> OverGap | None:
    """What the timer did, where enough frames stand on both sides of the gap without another hole."""
    clock, period_ns = case.clock(gap.slot), case.period_ns(gap.slot) or 1
    place = int(clock.searchsorted(gap.next_ns or 0))
    if place < WINDOW or place + WINDOW > len(clock):
        return None
    holes = np.diff(clock[place - WINDOW : place + WINDOW]) > UNBROKEN * period_ns
    return over_gap(clock, place, period_ns) if np.count_nonzero(holes) == 1 else None


def _chance(case: CaseFile, gap: Gap) -> float:
    """How likely the frames behind a gap come in the old beat by chance."""
    told = _timer(case, gap)
    return 2 * _beat(case, gap) if told is None or told.timer is Timer.UNKNOWN else told.chance


def _beat(case: CaseFile, gap: Gap) -> float:
    """How far off its beat a frame may be, as a share of the period: more where frames came less evenly."""
    period_ns, clock = case.period_ns(gap.slot) or 1, case.clock(gap.slot)
    before = np.diff(clock[clock <= gap.last_ns])
    if not len(before):
        return 1.0
    return max(WHOLE, 2 * float(np.percentile(np.abs(before - period_ns), 90)) / period_ns)
