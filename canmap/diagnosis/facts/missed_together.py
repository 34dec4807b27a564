"""Moments in which nothing of a bus was recorded, whoever sends: as behind a plug that opens now and then.

Timers tell when the frames were due that did not come. Where frames get lost here and there, or those of one
node do, others come between; where nothing is recorded for moments, all that is missing was due where nothing
came, and what comes next is in time: it did not wait. A buffer that is full again and again loses frames of
all senders together too, each time for about as long as it takes to hand frames on; a plug opens for a
millisecond as well as for a tenth of a second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

HOLE = 1.5  # periods, the least between two frames of a message between which one is missing
IN_TIME = 0.2  # of a period, by which frames may be off their schedule
CLEAR_NS = MS // 2  # from the frames around it, for what was due: some recorders stamp several frames at once
MOST_TOGETHER, NEARLY_ALL = 0.85, 0.95  # of all that is missing is so where several senders miss frames
ENOUGH = 1000  # frames that are due in a silence, however long it is
LEAST_ONCE = 3  # frames, of a moment that is the only one; a longer one is a silence of its own
ONE_SHORT = 1  # frame that is missing alone, as if the plug had been open for that long only
LONGEST_OPEN_NS = 500 * MS  # a plug that is open for longer has come off
COVERS = 2 / 3  # of the time between two frames of a message: where nothing came, no other was missed alone
LEAST_ALIKE, ALIKE, ALIKE_OF_FEW = 3, 1.5, 1.25  # the longest of half of them, times the shortest of these
SPREAD_OF_LENGTHS = 0.45  # standard deviation of the logarithm of all lengths
MANY = 6  # lengths, of which that tells something
SELDOM_NS, MOST_OF_FEW = 20 * MS, 0.5  # frames come so seldom: no buffer is full, and many are missed alone


class Moment(NamedTuple):
    """A time in which nothing of a bus was recorded although something was due.

    Attributes:
        from_ns: Session clock of the last frame before.
        to_ns: Of the first one after.
        senders: Whose frames are missing.
        missing: How many.
        alone: It is one, of a message that comes so seldom that others might have come meanwhile.
    """

    from_ns: int
    to_ns: int
    senders: frozenset[str | None]
    missing: int
    alone: bool

    @property
    def length_ns(self) -> int:
        """How long nothing came."""
        return self.to_ns - self.from_ns


def by_bus(case: CaseFile) -> dict[str, tuple[Moment, ...]]:
    """Return the moments in which a bus was not recorded, by time; none if others are missing too."""
    found: dict[str, tuple[Moment, ...]] = {}
    for bus in case.spec.buses:
        moments, elsewhere = moments_of(case, bus)
        if len(moments) == 1 and (case.first_silent or moments[0].missing < LEAST_ONCE):
            return {}
        if _are_of_a_contact(moments, elsewhere, frames_of(case, bus)):
            found[bus] = tuple(moments)
        elif elsewhere or moments:
            return {}  # what one plug hides is of its own bus
    return found


def _are_of_a_contact(moments: list[Moment], elsewhere: int, came: NDArray[np.int64]) -> bool:
    """Whether what is missing of a bus is so as behind a contact, and not as behind a buffer that is full."""
    together = [one for one in moments if len(one.senders) > 1]
    missing = sum(one.missing for one in together)
    alone = elsewhere + sum(one.alone for one in moments)
    if not together or max(one.length_ns for one in moments) > LONGEST_OPEN_NS:
        return False
    if np.percentile(np.diff(came), 75) > SELDOM_NS:
        return missing >= MOST_OF_FEW * (missing + alone - ONE_SHORT)
    if missing < MOST_TOGETHER * (missing + alone - ONE_SHORT):
        return False
    lengths_ns = np.sort([one.length_ns for one in together])[::-1]
    votes = int(np.log(lengths_ns).std() > SPREAD_OF_LENGTHS) + int(missing >= NEARLY_ALL * (missing + alone))
    if votes == 0 and len(lengths_ns) >= MANY:
        return False
    return votes == 2 or not _are_alike(lengths_ns)


def frames_of(case: CaseFile, bus: str, *, errors: bool = False) -> NDArray[np.int64]:
    """Return int64[n], the session clock of what a bus carried in the window: frames, or error frames."""
    chunk, channel = case.window.prepared.chunk, case.spec.buses[bus].channel
    if channel not in chunk.channels:
        return np.empty(0, np.int64)
    on_bus = chunk.channel == chunk.channels.index(channel)
    stamps: NDArray[np.int64] = chunk.t_ns[on_bus & ((chunk.kind == FrameKind.ERROR) == errors)]
    return stamps


def moments_of(case: CaseFile, bus: str) -> tuple[list[Moment], int]:
    """Return the times without a frame of a bus, and how many frames are missing where others came.

    A slow message may miss a frame in each of two moments: of these they are if others are missing there too.
    """
    came = frames_of(case, bus)
    missing: dict[int, list[str | None]] = {}
    hole_ns: dict[int, float] = {}
    apart: list[tuple[int, str | None]] = []
    elsewhere = 0
    for slot, rule in enumerate(case.rules):
        for due, length_ns in _holes(case, slot) if rule.bus == bus else ():
            places = came.searchsorted(due)
            is_clear = (came[places - 1] + CLEAR_NS < due) & (due < came[places] - CLEAR_NS)
            elsewhere += int(np.count_nonzero(~is_clear))
            own = [(place, rule.sender) for place in places[is_clear].tolist()]
            if is_clear.all() and places[0] == places[-1]:
                missing.setdefault(int(places[0]), []).extend(sender for _, sender in own)
                hole_ns[int(places[0])] = length_ns
            else:
                apart += own
    for place, sender in apart:
        if place in missing:
            missing[place].append(sender)
        else:
            elsewhere += 1
    moments = []
    for place, senders in sorted(missing.items()):
        from_ns, to_ns = int(came[place - 1]), int(came[place])
        alone = len(senders) == 1 and to_ns - from_ns < COVERS * hole_ns[place]
        moments.append(Moment(from_ns, to_ns, frozenset(senders), len(senders), alone))
    return moments, elsewhere


def _holes(case: CaseFile, slot: int) -> Iterator[tuple[NDArray[np.float64], int]]:
    """When the frames were due that are missing between two of a message, a late one with them; how long."""
    clock, period_ns = case.clock(slot), case.period_ns(slot)
    if period_ns is None:
        return
    near = (clock[1:] >= case.begin_ns) & (clock[:-1] <= case.end_ns)
    for i in np.flatnonzero(near & (np.diff(clock) > HOLE * period_ns)).tolist():
        length_ns = int(clock[i + 1] - clock[i])
        periods = round(length_ns / period_ns)
        is_late = abs(length_ns - periods * period_ns) > IN_TIME * period_ns
        due = np.linspace(clock[i], clock[i + 1], min(periods, ENOUGH) + 1)
        yield (due[1:] if is_late else due[1:-1]), length_ns


def _are_alike(lengths_ns: NDArray[np.int64]) -> bool:
    """Whether the longest half, of the longest first, are as long as each other: something had its time."""
    count = max(LEAST_ALIKE, (len(lengths_ns) + 1) // 2)
    if len(lengths_ns) < count:
        return False
    return bool(lengths_ns[0] <= (ALIKE if count > LEAST_ALIKE else ALIKE_OF_FEW) * lengths_ns[count - 1])
