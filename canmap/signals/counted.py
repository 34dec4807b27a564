"""2. The rolling counters of a chunk: which frames repeat one, which jump, and what was lost before which.

Of a message whose counter simply counts its frames, all steps of a chunk are looked at in a few passes over
the counters of all such messages; only where one is not the next is its sequence gone through. Counters that
several messages of a sender share, that count the frames of a multiplexer value or changes only are always
gone through. What a counter tells stands in `sequences`.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.distinct import first_of_each
from canmap.signals.extract import counts
from canmap.signals.promised import promised_counters
from canmap.signals.sequences import Tail, Wrong, judged

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import MessageRule
    from canmap.signals.decoded import Decoded
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.signals.promised import PromisedCounter
    from canmap.signals.sequences import CounterStory

_NONE = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class Tails:
    """What came before a chunk of every counter.

    Attributes:
        place: int64[counters], place in the round of the newest frame that is counted, -1 where none came;
            of those that are not told in `others`.
        t_ns: int64[counters], stamp of the newest frame.
        since: int64[counters], frames since the newest that is counted.
        others: For those that are always gone through, what came before by counter and multiplexer value.
    """

    place: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    t_ns: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    since: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    others: Mapping[tuple[int, int], Tail] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OddCounters:
    """Frames of one counter that are not simply the next.

    Attributes:
        rows: intp[k], their places in the chunk, ascending.
        wrong: uint8[k], a `Wrong` each.
        lost: int64[k], frames that were lost before each, as far as is known at it.
        detail: int64[k], as of `CounterStory`.
    """

    rows: NDArray[np.intp]
    wrong: NDArray[np.uint8]
    lost: NDArray[np.int64]
    detail: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Seen:
    """The frames of one counter in a chunk: their rows and, in the same order, what they hold."""

    rows: NDArray[np.intp]
    number: NDArray[np.int64]
    read: NDArray[np.bool_] | None
    code: NDArray[np.int64] | None


class Counters:
    """Judges the counters that a spec promises; holds only constants, so that any threads may share it.

    Args:
        rules: One for every message, of which some promise a counter.
        plan: The decode plan.

    Attributes:
        promised: The counters, by number.
    """

    def __init__(self, rules: Sequence[MessageRule], plan: DecodePlan) -> None:
        self._plan = plan
        self.promised = tuple(promised_counters(rules, plan))
        self._of_slot: dict[int, list[int]] = {}
        for number, one in enumerate(self.promised):
            for column in one.columns:
                self._of_slot.setdefault(plan.columns[column].slot, []).append(number)
        plain = [number for number, one in enumerate(self.promised) if one.plain]
        self._plain = np.array(plain, np.intp)
        self._column = np.array([self.promised[number].columns[0] for number in plain], np.intp)
        self._others = tuple(number for number, one in enumerate(self.promised) if not one.plain)
        rings = [self.promised[number].counting.ring for number in plain]
        self._first = np.array([ring.first for ring in rings], np.int64)
        self._last = np.array([ring.last for ring in rings], np.int64)
        self._stride = np.array([self.promised[number].counting.stride for number in plain], np.int64)
        self._group = plan.column_group[self._column] if plain else self._column
        self._alike = tuple(_alike(self.promised, plain))

    @property
    def start(self) -> Tails:
        """What came before the first frame."""
        count = len(self.promised)
        return Tails(np.full(count, -1), np.zeros(count, np.int64), np.zeros(count, np.int64))

    def rows(self, number: int, samples: Samples) -> NDArray[np.intp]:
        """Return intp[k], the frames of a chunk that a counter counts, ascending."""
        columns = self.promised[number].columns
        if len(columns) == 1:
            return samples.positions(columns[0])
        return np.sort(np.concatenate([samples.positions(column) for column in columns]))

    def after(self, decoded: Decoded, tails: Tails) -> Tails:
        """Return what the next chunk needs; arguments as of `odd`."""
        if not self.promised:
            return tails
        samples = decoded.samples
        starts = samples.column_start
        came = (starts[self._column] < starts[self._column + 1]).nonzero()[0]
        number = samples.raw[starts[self._column[came] + 1] - 1]
        group = self._group[came]
        row = samples.frames[samples.group_start[group] + samples.group_count[group] - 1]
        place, t_ns, since = tails.place.copy(), tails.t_ns.copy(), tails.since.copy()
        which = self._plain[came]
        place[which], t_ns[which], since[which] = number - self._first[came], decoded.chunk.t_ns[row], 0
        out = (number < self._first[came]) | (number > self._last[came])
        others = dict(tails.others)
        for one in sorted({*which[out].tolist(), *self._unread(decoded), *self._others}):
            for code, _, told in self._told(one, decoded, tails):
                if self.promised[one].plain:
                    newest = told.tail.place
                    place[one] = newest[-1] if len(newest) else -1
                    t_ns[one], since[one] = told.tail.t_ns or 0, told.tail.since
                else:
                    others[one, code] = told.tail
        return Tails(place, t_ns, since, others)

    def odd(self, decoded: Decoded, tails: Tails) -> dict[int, OddCounters]:
        """Return what is not simply the next of its counter, by counter.

        Args:
            decoded: A chunk, without the frames that came twice.
            tails: What came before it.
        """
        if not self.promised:
            return {}
        found = {}
        gone_through = {*self._not_next(decoded.samples, tails), *self._unread(decoded), *self._others}
        for number in sorted(gone_through):
            parts = [_odd_of(rows, told) for _, rows, told in self._told(number, decoded, tails)]
            if any(len(part.rows) for part in parts):
                found[number] = parts[0] if len(parts) == 1 else _together(parts)
        return found

    def _not_next(self, samples: Samples, tails: Tails) -> set[int]:
        """The plain counters of which a value is not the next, or that came after one that was not read."""
        starts = samples.column_start
        low, high = starts[self._column], starts[self._column + 1]
        came = low < high
        newest, since = tails.place[self._plain], tails.since[self._plain]
        first = samples.raw[np.minimum(low, len(samples.raw) - 1)] if len(samples.raw) else low
        step = first - self._first - newest
        around = self._stride - (self._last - self._first + 1)
        odd = came & ((step != self._stride) & (step != around) & (newest >= 0) | (since > 0))
        for alike, limits in self._alike:
            present = alike[came[alike]]
            if not len(present):
                continue
            bounds = zip(low[present].tolist(), high[present].tolist(), strict=True)
            value = np.concatenate([samples.raw[begin:end] for begin, end in bounds])
            ends = (high[present] - low[present]).cumsum()
            odd[present[_odd_steps(value, ends, limits)]] = True
        return set(self._plain[odd].tolist())

    def _unread(self, decoded: Decoded) -> set[int]:
        """The counters with a frame in the chunk that does not hold them, or that cannot be believed."""
        found: set[int] = set()
        samples, broken = decoded.samples, decoded.broken
        if samples.valid is not None:
            for number, one in enumerate(self.promised):
                bounds = [slice(*samples.column_start[column : column + 2]) for column in one.columns]
                if not all(samples.valid[part].all() for part in bounds):
                    found.add(number)
        if broken is not None:
            slots = np.arange(len(self._plan.slots)).repeat(np.diff(samples.slot_start))
            for slot in np.unique(slots[broken[samples.rows]]).tolist():
                found.update(self._of_slot.get(slot, ()))
        return found

    def _told(
        self, number: int, decoded: Decoded, tails: Tails
    ) -> Iterator[tuple[int, NDArray[np.intp], CounterStory]]:
        """Yield what a counter tells: multiplexer value, the frames with it, and what is told of them."""
        one = self.promised[number]
        chunk, seen = decoded.chunk, self._seen(one, decoded)
        if not len(seen.rows):
            return
        if one.plain:
            yield 0, seen.rows, self._judge(one, self._plain_tail(number, tails), chunk, seen)
        elif seen.code is None:
            yield 0, seen.rows, self._judge(one, tails.others.get((number, 0), Tail()), chunk, seen)
        else:
            for code in np.unique(seen.code).tolist():
                own = seen.code == code
                read = None if seen.read is None else seen.read[own]
                part = _Seen(seen.rows[own], seen.number[own], read, None)
                tail = tails.others.get((number, code), Tail())
                yield code, part.rows, self._judge(one, tail, chunk, part)

    def _seen(self, one: PromisedCounter, decoded: Decoded) -> _Seen:
        samples, broken = decoded.samples, decoded.broken
        parts = [samples.positions(column) for column in one.columns]
        numbers = [counts(samples.values(column), self._plan.columns[column].kind) for column in one.columns]
        rows, number = np.concatenate(parts), np.concatenate(numbers).astype(np.int64)
        read = None if broken is None else ~broken[rows]
        if samples.valid is not None:
            held = [samples.valid[slice(*samples.column_start[c : c + 2])] for c in one.columns]
            read = np.concatenate(held) if read is None else read & np.concatenate(held)
        if len(parts) > 1:
            order = rows.argsort()
            rows, number, read = rows[order], number[order], None if read is None else read[order]
        code = None
        if one.selector is not None:
            place = samples.positions(one.selector).searchsorted(rows)
            code = samples.values(one.selector)[place]
        return _Seen(rows, number, read, code)

    def _plain_tail(self, number: int, tails: Tails) -> Tail:
        place = tails.place[number : number + 1]
        if place[0] < 0:
            return Tail(None, int(tails.since[number]))
        zero = np.zeros(1, np.int64)
        return Tail(int(tails.t_ns[number]), int(tails.since[number]), int(place[0]), place, zero, zero, zero)

    def _judge(self, one: PromisedCounter, tail: Tail, chunk: FrameChunk, seen: _Seen) -> CounterStory:
        t_ns = chunk.t_ns[seen.rows]
        if not one.on_change:
            return judged(one.counting, tail, seen.number, t_ns, seen.read)
        payload = chunk.payload[seen.rows]
        idle = np.zeros(len(payload), np.bool_)
        idle[1:] = (payload[1:] == payload[:-1]).all(axis=1)
        idle[0] = payload[0].tobytes().rstrip(b"\0") == tail.payload if tail.t_ns is not None else False
        told = judged(one.counting, tail, seen.number, t_ns, seen.read, idle)
        newest = replace(told.tail, payload=payload[-1].tobytes().rstrip(b"\0"))  # of whatever width
        return replace(told, tail=newest)


@dataclass(frozen=True, slots=True)
class _Limits:
    """What the plain counters of one kind have in common, in raw counts."""

    first: int
    last: int
    stride: int


def _alike(
    promised: Sequence[PromisedCounter], plain: Sequence[int]
) -> Iterator[tuple[NDArray[np.intp], _Limits]]:
    """Yield the plain counters that count alike, by their places among them."""
    by_limits: dict[_Limits, list[int]] = {}
    for place, number in enumerate(plain):
        counting = promised[number].counting
        limits = _Limits(counting.ring.first, counting.ring.last, counting.stride)
        by_limits.setdefault(limits, []).append(place)
    for limits, places in by_limits.items():
        yield np.array(places, np.intp), limits


def _odd_steps(value: NDArray[np.int64], ends: NDArray[np.intp], limits: _Limits) -> NDArray[np.intp]:
    """Return which of the sequences that end at `ends` hold a step or a value that is not the next."""
    step = value[1:] - value[:-1]
    odd = step != limits.stride
    odd &= step != limits.stride - (limits.last - limits.first + 1)
    odd[ends[:-1] - 1] = False  # from one sequence to the next
    places = odd.nonzero()[0]
    if value.min() < limits.first or value.max() > limits.last:
        strange = ((value < limits.first) | (value > limits.last)).nonzero()[0]
        places = np.concatenate((places, strange))
    steps: NDArray[np.intp] = ends.searchsorted(places, side="right")
    return steps[first_of_each(steps)]


def _odd_of(rows: NDArray[np.intp], told: CounterStory) -> OddCounters:
    odd = ((told.wrong != Wrong.NOTHING) | (told.lost > 0)).nonzero()[0]
    return OddCounters(rows[odd], told.wrong[odd], told.lost[odd], told.detail[odd])


def _together(parts: Sequence[OddCounters]) -> OddCounters:
    """Return the odd frames of several sequences of one counter in the order of arrival."""
    rows = np.concatenate([part.rows for part in parts])
    order = rows.argsort()
    return OddCounters(
        rows[order],
        np.concatenate([part.wrong for part in parts])[order],
        np.concatenate([part.lost for part in parts])[order],
        np.concatenate([part.detail for part in parts])[order],
    )
