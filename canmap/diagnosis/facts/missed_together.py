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
LEAST_MOMENTS, MOST = 2, 0.6  # in which frames of several senders are missing; of all that are
LEAST_ALIKE, ALIKE, ALIKE_OF_FEW = 3, 1.5, 1.25  # the longest of half of them, times the shortest of these
KNOWN = 5  # times the usual time between two frames: so long a moment has a length that is known


class Moment(NamedTuple):
    """A time in which nothing of a bus was recorded although something was due.

    Attributes:
        from_ns: Session clock of the last frame before.
        to_ns: Of the first one after.
        senders: Whose frames are missing.
        missing: How many.
    """

    from_ns: int
    to_ns: int
    senders: frozenset[str | None]
    missing: int

    @property
    def length_ns(self) -> int:
        """How long nothing came."""
        return self.to_ns - self.from_ns


def moments_without(case: CaseFile, bus: str) -> tuple[Moment, ...]:
    """Return the moments without a bus in an episode, by time; empty where frames are missing otherwise."""
    moments, elsewhere = _moments(case, bus)
    together = [one for one in moments if len(one.senders) > 1]
    missing = sum(one.missing for one in together)
    alone = elsewhere + sum(one.missing == 1 for one in moments)
    if (
        len(together) < LEAST_MOMENTS
        or missing < MOST * (missing + alone)
        or _are_alike(together, frames_of(case, bus))
    ):
        return ()
    return tuple(moments)


def by_bus(case: CaseFile) -> dict[str, tuple[Moment, ...]]:
    """Return the moments of each bus that has any."""
    found = {bus: moments_without(case, bus) for bus in case.spec.buses}
    return {bus: moments for bus, moments in found.items() if moments}


def frames_of(case: CaseFile, bus: str, *, errors: bool = False) -> NDArray[np.int64]:
    """Return int64[n], the session clock of what a bus carried in the window: frames, or error frames."""
    chunk, channel = case.window.prepared.chunk, case.spec.buses[bus].channel
    if channel not in chunk.channels:
        return np.empty(0, np.int64)
    on_bus = chunk.channel == chunk.channels.index(channel)
    stamps: NDArray[np.int64] = chunk.t_ns[on_bus & ((chunk.kind == FrameKind.ERROR) == errors)]
    return stamps


def _moments(case: CaseFile, bus: str) -> tuple[list[Moment], int]:
    """The times without a frame of the bus, and how many frames are missing where others came.

    A slow message may miss a frame in each of two moments: of these they are if others are missing there too.
    """
    came = frames_of(case, bus)
    missing: dict[int, list[str | None]] = {}
    apart: list[tuple[int, str | None]] = []
    elsewhere = 0
    for slot, rule in enumerate(case.rules):
        for due in _holes(case, slot) if rule.bus == bus else ():
            places = came.searchsorted(due)
            is_clear = (came[places - 1] + CLEAR_NS < due) & (due < came[places] - CLEAR_NS)
            elsewhere += int(np.count_nonzero(~is_clear))
            own = [(place, rule.sender) for place in places[is_clear].tolist()]
            if is_clear.all() and places[0] == places[-1]:
                missing.setdefault(int(places[0]), []).extend(sender for _, sender in own)
            else:
                apart += own
    for place, sender in apart:
        if len(missing.get(place, [])) > 1:
            missing[place].append(sender)
        else:
            elsewhere += 1
    return [
        Moment(int(came[place - 1]), int(came[place]), frozenset(senders), len(senders))
        for place, senders in sorted(missing.items())
    ], elsewhere


def _holes(case: CaseFile, slot: int) -> Iterator[NDArray[np.float64]]:
    """When the frames were due that are missing between two of a message, the late one with them."""
    clock, period_ns = case.clock(slot), case.period_ns(slot)
    if period_ns is None:
        return
    near = (clock[1:] >= case.begin_ns) & (clock[:-1] <= case.end_ns)
    for i in np.flatnonzero(near & (np.diff(clock) > HOLE * period_ns)).tolist():
        periods = round((clock[i + 1] - clock[i]) / period_ns)
        due = np.linspace(clock[i], clock[i + 1], periods + 1)
        is_late = abs(clock[i + 1] - clock[i] - periods * period_ns) > IN_TIME * period_ns
        yield due[1:] if is_late else due[1:-1]


def _are_alike(moments: list[Moment], came: NDArray[np.int64]) -> bool:
    """Whether the longest of them are about as long as each other, as if something had to run its time."""
    lengths = sorted((one.length_ns for one in moments), reverse=True)
    count = max(LEAST_ALIKE, len(lengths) // 2)
    if len(lengths) < count or lengths[count - 1] < KNOWN * np.median(np.diff(came)):
        return False
    return lengths[0] <= (ALIKE if count > LEAST_ALIKE else ALIKE_OF_FEW) * lengths[count - 1]
