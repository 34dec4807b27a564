"""A gateway's copies of a message beside their originals: which original each is a copy of, and how late.

A copy is of the newest original before it that says the same; one that is of none before it may be of one
that is stamped after it, where the clocks of two recorders are apart. So each is compared only when all
originals of some time after it have come. Nothing is known of a copy whose original may not have been
recorded: there was a gap between originals, or their recording had just begun.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.samples import there
from canmap.mapping.relay_rules import Guarded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.model import MessageRule
    from canmap.mapping.relay_rules import RelayRule
    from canmap.stream.view import View

NEVER_NS = np.iinfo(np.int64).min // 2
FAR_NS = np.iinfo(np.int64).max // 2  # of an original that is not there
SHORTEST_AHEAD_NS = 500_000_000  # so much later an original may be stamped than its copy, at least
SHORTEST_BACK_NS = 1_000_000_000  # so far back an original is looked for, at least
SHORTEST_WINDOW_NS = 100_000_000  # where no delay is promised
WORD = 8  # bytes


@dataclass(frozen=True, slots=True)
class _Frames:
    """Frames of one message that are still needed.

    Attributes:
        clock: int64[n], session clock of each, ascending.
        content: int64[n, words], what each says.
        whole_ns: int64[n], from when on all frames up to each are known.
        off_ns: int64[n], how far each came off its period.
        line: int64[n], line of the capture.
        told: bool[n], its payload is long enough for its content.
        anew: bool[n], nothing is known of the frame before.
    """

    clock: NDArray[np.int64]
    content: NDArray[np.int64]
    whole_ns: NDArray[np.int64]
    off_ns: NDArray[np.int64]
    line: NDArray[np.int64]
    told: NDArray[np.bool_]
    anew: NDArray[np.bool_]

    def __len__(self) -> int:
        """Return how many they are."""
        return len(self.clock)

    def joined(self, later: _Frames) -> _Frames:
        """Return these and later ones."""
        if not len(later):
            return self
        if not len(self):
            return later
        names = self.__dataclass_fields__
        return _Frames(
            **{name: np.concatenate((getattr(self, name), getattr(later, name))) for name in names}
        )

    def part(self, rows: slice) -> _Frames:
        """Return some of them."""
        return _Frames(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


@dataclass(frozen=True, slots=True)
class Compared:
    """Copies beside their originals, in their order.

    Attributes:
        clock: int64[n], session clock of each copy.
        line: int64[n], its line of the capture.
        lag_ns: int64[n], time since the newest original before it that says the same, FAR_NS for none.
        lead_ns: int64[n], time until the first one after it that does.
        whole: bool[n], no original can be missing of those that it may be of.
        off_ns: int64[n], how far the stamps of the originals before it were off their period.
        again: bool[n], it says what the copy before it said.
    """

    clock: NDArray[np.int64]
    line: NDArray[np.int64]
    lag_ns: NDArray[np.int64]
    lead_ns: NDArray[np.int64]
    whole: NDArray[np.bool_]
    off_ns: NDArray[np.int64]
    again: NDArray[np.bool_]

    def __len__(self) -> int:
        """Return how many they are."""
        return len(self.clock)


class Copies:
    """Follows the copies of one message.

    Args:
        rule: The message that is a copy.
        relay: What the spec says of it.
        setting: Whose decode plan and rules it is.

    Attributes:
        slot: The slot of the copies.
        channels: Those of the originals and of the copies.
        original: The rule of the originals.
        whole_payload: Whether all of the payload is compared, not single signals.
        comparable: Whether there is anything by which copies can be compared.
        window_ns: So long after its original a copy is expected.
        turn_ns: Period of the copies, 0 where it is not known.
        ahead_ns: So much later an original is looked for.
    """

    def __init__(self, rule: MessageRule, relay: RelayRule, setting: Setting) -> None:
        plan = setting.plan
        self.slot = plan.slot_of[rule.bus, rule.message.name]
        slot = plan.slot_of[relay.message.bus, relay.message.message]
        self.original = setting.rules[slot]
        self.whole_payload = relay.protection is Guarded.END_TO_END
        self._slots = slot, self.slot
        self._bytes = min(self.original.message.length, rule.message.length)
        self._columns = _common(rule, self.original, setting)
        self.comparable = bool(self._bytes if self.whole_payload else self._columns[0])
        self.channels = tuple(setting.spec.buses[one.bus].channel for one in (self.original, rule))
        period_ns = self.original.period_ns or 0
        self.turn_ns = rule.period_ns or period_ns * relay.decimation
        self.window_ns = relay.delay_ns or max(SHORTEST_WINDOW_NS, 2 * self.turn_ns)
        self._back_ns = max(SHORTEST_BACK_NS, 4 * self.window_ns, 4 * period_ns)
        self.ahead_ns = max(SHORTEST_AHEAD_NS, 2 * period_ns)
        self._longest_gap_ns = period_ns * 3 // 2 if period_ns else FAR_NS
        self._period_ns = period_ns
        words = -(-self._bytes // WORD) if self.whole_payload else len(self._columns[0])
        self._none = _Frames(*(np.zeros(shape, kind) for shape, kind in _shapes(words)))
        self._originals, self._copies = self._none, self._none
        self._anew = [True, True]
        self._newest: list[_Frames | None] = [None, None]  # of originals and copies, the newest so far
        self._before: NDArray[np.int64] | None = None  # what the copy before said

    def take(self, view: View) -> None:
        """Add the originals and copies of a chunk."""
        ended = {hole.channel for hole in view.holes}
        for number, channel in enumerate(self.channels):
            if channel in ended:
                self._anew[number] = True
        self._originals = self._originals.joined(self._read(view, 0))
        self._copies = self._copies.joined(self._read(view, 1))

    def ripe(self, now_ns: int) -> Compared | None:
        """Return the next copies beside their originals; those after which no original comes any more.

        Args:
            now_ns: Nothing earlier than this comes.
        """
        count = int(self._copies.clock.searchsorted(now_ns - self.ahead_ns))
        if not count:
            self._forget(now_ns - self.ahead_ns)
            return None
        copies = self._copies.part(slice(count))
        self._copies = self._copies.part(slice(count, None))
        compared = self._compared(copies)
        self._forget(int(self._copies.clock[0]) if len(self._copies) else now_ns - self.ahead_ns)
        return compared

    def _forget(self, first_ns: int) -> None:
        """Drop the originals that no copy from a time on can be of."""
        gone = int(self._originals.clock.searchsorted(first_ns - self._back_ns))
        if gone > len(self._originals) // 2:  # not a few at a time
            self._originals = self._originals.part(slice(gone, None))

    def _read(self, view: View, number: int) -> _Frames:
        """The frames of the originals (0) or the copies (1) in a chunk."""
        samples, slot = view.prepared.arrived, self._slots[number]
        rows = samples.rows[samples.slot_start[slot] : samples.slot_start[slot + 1]]
        if not len(rows):
            return self._none
        clock = view.clock[rows]
        told = np.ones(len(rows), np.bool_)
        if self.whole_payload:
            content = _words(view.prepared.chunk.payload[rows], self._bytes)
        else:
            columns = self._columns[number]
            content = np.stack([samples.values(column) for column in columns], axis=1)
            told = there(samples, columns)
        anew = np.zeros(len(rows), np.bool_)
        anew[0], self._anew[number] = self._anew[number], False
        before = self._newest[number]
        gap = np.diff(clock, prepend=clock[0] if before is None else before.clock[0])
        whole_ns = np.where(anew | (gap > self._longest_gap_ns), clock, NEVER_NS)
        whole_ns[0] = max(int(whole_ns[0]), NEVER_NS if before is None else int(before.whole_ns[0]))
        whole_ns = np.maximum.accumulate(whole_ns)
        off_ns = np.where(anew, 0, np.abs(gap - self._period_ns)) if self._period_ns else np.zeros_like(gap)
        found = _Frames(clock, content, whole_ns, off_ns, view.prepared.chunk.line[rows], told, anew)
        self._newest[number] = found.part(slice(-1, None))
        return found

    def _compared(self, copies: _Frames) -> Compared:
        originals = self._originals
        at = originals.clock.searchsorted(copies.clock, side="right")
        before, after = _same(originals, copies, at)
        padded = np.append(originals.clock, FAR_NS)
        lag_ns = np.where(before >= 0, copies.clock - padded[before], FAR_NS)
        lead_ns = np.where(after < len(originals), padded[after] - copies.clock, FAR_NS)
        lag_ns[lag_ns > self._back_ns] = FAR_NS
        lead_ns[lead_ns > self.ahead_ns] = FAR_NS
        newest = np.maximum(at - 1, 0)
        age_ns = np.where(at > 0, copies.clock - padded[newest], FAR_NS)
        whole_ns = np.append(originals.whole_ns, FAR_NS)[newest]
        whole = (whole_ns <= copies.clock - self.window_ns) & copies.told
        whole &= age_ns <= min(self._longest_gap_ns, self._back_ns)
        if self._period_ns:  # the one after it tells whether one was missing at the time of the copy
            whole &= padded[at] - padded[newest] <= self._longest_gap_ns
        return Compared(
            copies.clock, copies.line, lag_ns, lead_ns, whole, self._off_ns(copies, at), self._again(copies)
        )

    def _off_ns(self, copies: _Frames, at: NDArray[np.intp]) -> NDArray[np.int64]:
        """How far the stamps of originals were off their period, in the time before each copy."""
        first = self._originals.clock.searchsorted(copies.clock - self._back_ns)
        pairs = np.stack([np.minimum(first, at), at], axis=1).ravel()
        padded = np.append(self._originals.off_ns, 0)
        found: NDArray[np.int64] = np.maximum.reduceat(padded, pairs)[::2]
        return np.where(at > first, found, 0)

    def _again(self, copies: _Frames) -> NDArray[np.bool_]:
        again = np.zeros(len(copies), np.bool_)
        again[1:] = (copies.content[1:] == copies.content[:-1]).all(axis=1)
        again[0] = self._before is not None and bool((copies.content[0] == self._before).all())
        self._before = copies.content[-1]
        return again & ~copies.anew & copies.told


def _shapes(words: int) -> list[tuple[int | tuple[int, int], type]]:
    return [(0, np.int64), ((0, words), np.int64), *[(0, np.int64)] * 3, (0, np.bool_), (0, np.bool_)]


def _words(payload: NDArray[np.uint8], size: int) -> NDArray[np.int64]:
    """The first bytes of payloads as whole numbers, int64[n, words]."""
    padded = np.zeros((len(payload), -(-size // WORD) * WORD), np.uint8)
    size = min(size, payload.shape[1])
    padded[:, :size] = payload[:, :size]
    return padded.view("<i8").astype(np.int64)


def _same(
    originals: _Frames, copies: _Frames, at: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which originals say the same as each copy: the last of the first `at`, -1 for none, and the next."""
    count = len(originals)
    content = np.concatenate((originals.content, copies.content))
    if content.shape[1] == 1:
        number = np.unique(content[:, 0], return_inverse=True)[1]
    else:
        number = np.unique(content, axis=0, return_inverse=True)[1].ravel()
    of_original, of_copy = number[:count], number[count:]
    # In the order of what they say, those that say the same as they came.
    ranked = of_original * (count + 1) + np.arange(count)
    ranked.sort()
    place = ranked.searchsorted(of_copy * (count + 1) + at)
    padded = np.append(ranked, -1)
    of_before, before = np.divmod(padded[place - 1], count + 1)
    of_after, after = np.divmod(padded[place], count + 1)
    is_before = (place > 0) & (of_before == of_copy)
    is_after = (place < count) & (of_after == of_copy)
    return np.where(is_before, before, -1), np.where(is_after, after, count)


def _common(
    rule: MessageRule, original: MessageRule, setting: Setting
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The columns that every frame of both has, and that say the same: of the original and of the copy."""
    columns = setting.plan.columns
    of_copy = {columns[number].signal.name: number for number in _own(rule, setting)}
    pairs = [
        (number, of_copy[name])
        for number in _own(original, setting)
        if (name := columns[number].signal.name) in of_copy
        and _scale(columns[number].signal) == _scale(columns[of_copy[name]].signal)
    ]
    return tuple(number for number, _ in pairs), tuple(number for _, number in pairs)


def _own(rule: MessageRule, setting: Setting) -> list[int]:
    """The columns of a message that every frame has, but for those that guard it."""
    plan = setting.plan
    slot = plan.slots[plan.slot_of[rule.bus, rule.message.name]]
    guards = [one.signal for one in (rule.counter, rule.checksum) if one is not None and one.signal]
    names = {guard.signal for guard in guards}
    group = plan.groups[slot.groups.start]
    return [number for number in group.columns if plan.columns[number].signal.name not in names]


def _scale(signal: DescribedSignal) -> tuple[object, ...]:
    """What makes raw values of two signals comparable."""
    return signal.bits, signal.signed, signal.is_float, signal.factor, signal.offset
