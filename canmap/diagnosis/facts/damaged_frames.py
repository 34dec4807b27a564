"""Whose frames error frames damage: of one sender, of several, or in bursts.

A sender with a timer sends at steady times, and a damaged frame is sent again at once. So error frames that
damage the frames of one sender begin when those are due; and where every attempt is damaged, they stand back
to back until that sender leaves the bus, or the contact is back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Role

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

LEAST_TOLD = 5  # frames, or groups of error frames, for anything to be told
# A frame of 8 bytes and 29 bits at 250 kbit/s that is damaged late and sent again takes 0.7 ms.
BACK_TO_BACK_NS, DENSE = 800_000, 0.7
GROUP_NS = 3 * MS  # error frames further apart are of another frame
PAUSE_NS, LEAST_PAUSES, EVEN = 60 * MS, 3, 0.1
STAMP_EARLY_NS, STAMP_LATE_NS = MS, 3 * MS  # a frame is stamped at its end; the bus may be busy for that long
OF_ONE = 0.8  # of the groups begin when a frame of one sender is due
BY_CHANCE = 0.5  # where frames are due so often, that tells nothing
SETTLED = 20  # frames by which the times of a message are known
LATEST, UNDISTURBED_NS = 90, 100_000  # percentile of how far frames are off their period, and beyond before


def whose(case: CaseFile, stamps_ns: NDArray[np.int64]) -> tuple[str, str, Role]:
    """Return what error frames do, and to whom: a value of the atom of the bus, a sender, its role.

    Args:
        case: The episode.
        stamps_ns: int64[n], session clock of the error frames, n at least `LEAST_TOLD`.
    """
    bursts = _bursts(stamps_ns)
    silent = [gap for gap in case.first_silent if case.roles[gap.slot] is not Role.COPY]
    senders = {case.rules[gap.slot].sender for gap in silent}
    if len(senders) == 1 and (name := senders.pop()) and (bursts or _rest_undisturbed(case, name, stamps_ns)):
        return "one_disturbed", name, case.roles[silent[0].slot]  # it has taken itself off the bus
    if (slot := _of_one(case, stamps_ns)) is not None:
        return "one_disturbed", case.rules[slot].sender or "", case.roles[slot]
    if bursts is not None:
        return bursts, "", Role.ANY
    heard = [slot for slot in range(len(case.rules)) if len(_during(case, slot, stamps_ns)) > 1]
    return ("several_disturbed" if heard else "errors_only"), "", Role.ANY


def _bursts(stamps_ns: NDArray[np.int64]) -> str | None:
    """Whether error frames come in dense bursts, and whether with pauses of one length; None for neither."""
    apart = np.diff(stamps_ns)
    if np.count_nonzero(apart <= BACK_TO_BACK_NS) < DENSE * len(apart):
        return None
    pauses = apart[apart > PAUSE_NS]
    even = len(pauses) >= LEAST_PAUSES and pauses.std() <= EVEN * pauses.mean()
    return "regular_bursts" if even else "bursts"


def _of_one(case: CaseFile, stamps_ns: NDArray[np.int64]) -> int | None:
    """The message when frames of which are due nearly all groups of error frames begin; None for none."""
    begins = stamps_ns[np.diff(stamps_ns, prepend=stamps_ns[0] - 2 * GROUP_NS) > GROUP_NS]
    if len(begins) < LEAST_TOLD:
        return None
    shares = {slot: share for slot in range(len(case.rules)) if (share := _due_share(case, slot, begins))}
    best = max(shares, key=lambda slot: shares[slot], default=None)
    return best if best is not None and shares[best] >= OF_ONE else None


def _due_share(case: CaseFile, slot: int, begins: NDArray[np.int64]) -> float | None:
    """The share of some moments at which a frame of a message was due; None where that tells nothing."""
    clock, promised_ns = case.clock(slot), case.period_ns(slot)
    before = clock[clock < begins[0]][-4 * SETTLED :]
    if promised_ns is None or len(before) < SETTLED or case.roles[slot] is Role.COPY:
        return None
    if BY_CHANCE * promised_ns < (STAMP_EARLY_NS + STAMP_LATE_NS):
        return None
    numbers = np.rint((before - before[0]) / promised_ns)
    period_ns, offset_ns = np.polyfit(numbers, before - before[0], 1)
    late = (begins - before[0] - offset_ns + STAMP_EARLY_NS) % period_ns
    return float(np.mean(late <= STAMP_EARLY_NS + STAMP_LATE_NS))


def _rest_undisturbed(case: CaseFile, name: str, stamps_ns: NDArray[np.int64]) -> bool:
    """Whether the frames of the other senders come as evenly as before, most of them."""
    more: dict[str, tuple[int, float]] = {}  # of the message of each sender that comes most often
    for slot, rule in enumerate(case.rules):
        clock, period_ns = case.clock(slot), case.period_ns(slot)
        if period_ns is None or rule.sender in {None, name} or case.roles[slot] is Role.COPY:
            continue
        before = np.abs(np.diff(clock[clock < stamps_ns[0]]) - period_ns)
        during = np.abs(np.diff(_during(case, slot, stamps_ns)) - period_ns)
        if len(before) >= LEAST_TOLD and len(during) >= LEAST_TOLD:
            off = float(np.percentile(during, LATEST) - np.percentile(before, LATEST))
            more[rule.sender or ""] = min(more.get(rule.sender or "", (period_ns, off)), (period_ns, off))
    return not more or float(np.median([off for _, off in more.values()])) < UNDISTURBED_NS


def _during(case: CaseFile, slot: int, stamps_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """The frames of a message from its last before the error frames to its first after them."""
    clock, period_ns = case.clock(slot), case.period_ns(slot) or 0
    inside: NDArray[np.bool_] = (clock >= stamps_ns[0] - period_ns) & (clock <= stamps_ns[-1] + period_ns)
    return clock[inside]
