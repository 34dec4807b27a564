"""Sample and hold: the newest sample of a signal at any frames of a chunk, carried from chunk to chunk.

`latest` is the pure half: where in a chunk the newest samples stand. `Newest` knows what came before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.signals.prepared import Prepared

NEVER_NS = np.iinfo(np.int64).min  # clock of a sample that has not come


@dataclass(frozen=True, slots=True)
class Moments:
    """Frames of a chunk, in the order of arrival, at which the newest samples are asked for.

    Attributes:
        rows: intp[n], their places in the chunk; its length for the moment after its last frame.
        clock: int64[n], session clock of each.
        slot: They are all the frames of this slot; None where they are not known to be.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    slot: int | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """The newest sample of one column at each of some moments.

    What lies outside a range is judged from `raw` by whoever has the range: fields of one signal may have
    several.

    Attributes:
        raw: int64[n], raw values.
        clock_ns: int64[n], session clock of the sample, NEVER_NS where none has come.
        present: bool[n], it has come and its payload held it; None where that holds for all.
        own: The frames of the moments themselves carry it, so it has no age.
    """

    raw: NDArray[np.int64]
    clock_ns: NDArray[np.int64]
    present: NDArray[np.bool_] | None
    own: bool


class Together:
    """Columns whose newest samples are asked for at once, each at the frames of a slot.

    Args:
        plan: The decode plan.
        asked: Slot and column of each.
    """

    def __init__(self, plan: DecodePlan, asked: Sequence[tuple[int, int]]) -> None:
        pairs = [(slot, plan.columns[column].group) for slot, column in asked]
        self.slot = np.array([slot for slot, _ in asked], np.intp)
        self.column = np.array([column for _, column in asked], np.intp)
        self.pairs = tuple(dict.fromkeys(pairs))
        self.pair = np.array([self.pairs.index(pair) for pair in pairs], np.intp)


@dataclass(frozen=True, slots=True)
class HeldTogether:
    """The newest samples of several columns at their frames, one column after the other.

    Attributes:
        start: intp[k], where the frames of each begin.
        count: intp[k], how many they are.
        raw: int64[n], raw values.
        present: bool[n], they have come and their payloads held them; None where that holds for all.
        age_ns: int64[n], -1 where none ever came; None where no sample has an age.
    """

    start: NDArray[np.intp]
    count: NDArray[np.intp]
    raw: NDArray[np.int64]
    present: NDArray[np.bool_] | None
    age_ns: NDArray[np.int64] | None


class Newest:
    """Answers for the newest samples of some columns: `begin` a chunk, ask, and `carry` once all have asked.

    Args:
        columns: The columns that may be asked for.
        count: Columns of the plan.

    Attributes:
        raw: int64[columns], newest raw value of each before the chunk.
        clock_ns: int64[columns], session clock of it, NEVER_NS where none has come.
        present: bool[columns], it has come and its payload held it.
    """

    _prepared: Prepared
    _clock: NDArray[np.int64]

    def __init__(self, columns: Iterable[int], count: int) -> None:
        self._needed = np.array(sorted(set(columns)), np.intp)
        self.raw = np.zeros(count, np.int64)
        self.clock_ns = np.full(count, NEVER_NS)
        self.present = np.zeros(count, np.bool_)

    def begin(self, prepared: Prepared, clock: NDArray[np.int64]) -> None:
        """Go on to the next chunk; `clock` is int64[frames], the session clock of each."""
        self._prepared, self._clock = prepared, clock

    def of_slot(self, slot: int) -> Moments:
        """Return the frames of a slot."""
        samples = self._prepared.samples
        rows = samples.rows[samples.slot_start[slot] : samples.slot_start[slot + 1]]
        return Moments(rows, self._clock[rows], slot)

    def of_columns(self, columns: Iterable[int]) -> Moments:
        """Return the frames that carry any of the columns."""
        positions = [self._prepared.samples.positions(column) for column in columns]
        rows = np.unique(np.concatenate(positions)) if positions else np.zeros(0, np.intp)
        return Moments(rows, self._clock[rows])

    def at(self, column: int, moments: Moments, *, own_counts: bool = True) -> Held:
        """Return the newest sample of a column at each moment.

        Args:
            column: The column, one of those that may be asked for.
            moments: When.
            own_counts: Whether the sample counts that the very frame carries; else those before it alone.
        """
        samples = self._prepared.samples
        bounds = slice(int(samples.column_start[column]), int(samples.column_start[column + 1]))
        raw = samples.raw[bounds]
        present = None if samples.valid is None else samples.valid[bounds]
        places = self._places(column, moments, own_counts=own_counts)
        if places is None:
            return Held(raw, moments.clock, present, own=True)
        before = int(places.searchsorted(0))  # so many moments come before the first sample of the chunk
        taken = places[before:]
        sampled = self._clock[samples.positions(column)[taken]]
        raw, present = raw[taken], None if present is None else present[taken]
        if before:
            raw = np.concatenate((np.full(before, self.raw[column]), raw))
            sampled = np.concatenate((np.full(before, self.clock_ns[column]), sampled))
            if present is not None or not self.present[column]:
                later = np.ones(len(taken), np.bool_) if present is None else present
                present = np.concatenate((np.full(before, self.present[column]), later))
        return Held(raw, sampled, present, own=False)

    def _places(self, column: int, moments: Moments, *, own_counts: bool) -> NDArray[np.intp] | None:
        """Which sample of the column is the newest at each moment, as `latest` says it."""
        samples, joins = self._prepared.samples, self._prepared.joins
        if own_counts and moments.slot is not None:
            pair = moments.slot, samples.plan.columns[column].group
            if pair in joins:
                return joins[pair]
        return _latest(samples.positions(column), moments.rows, own_counts=own_counts)

    def together(self, asked: Together, wanted: NDArray[np.intp]) -> HeldTogether:
        """Return the newest samples of `asked[wanted]`, each at all frames of its slot, at least one.

        The way for chunks of few frames: its cost hardly depends on how many columns there are.
        """
        samples, column, pair = self._prepared.samples, asked.column[wanted], asked.pair[wanted]
        count = np.diff(samples.slot_start)[asked.slot[wanted]]
        start = np.cumsum(count) - count
        joins = [self._prepared.joins[one] for one in asked.pairs]
        place = np.arange(int(count.sum())) - np.repeat(start, count)
        is_joined = np.array([join is not None for join in joins])[pair]
        if not is_joined.any():
            place += np.repeat(samples.column_start[column], count)
            present = None if samples.valid is None else samples.valid[place]
            return HeldTogether(start, count, samples.raw[place], present, None)
        ages, offsets = self._ages(asked.pairs, joins)
        joined = np.flatnonzero(np.repeat(is_joined, count))
        newest = place[joined] + np.repeat(offsets[pair], count)[joined]
        age_ns = np.zeros(len(place), np.int64)
        place[joined] = np.concatenate([join for join in joins if join is not None])[newest]
        before = place < 0
        place += np.repeat(samples.column_start[column], count)
        place[before] = 0
        raw = samples.raw[place] if len(samples.raw) else np.zeros(len(place), np.int64)
        present = np.ones(len(place), np.bool_) if samples.valid is None else samples.valid[place]
        age_ns[joined] = ages[newest]
        if before.any():
            earlier = np.repeat(column, count)[before]
            raw[before], present[before] = self.raw[earlier], self.present[earlier]
            age_ns[before] = ages_ns(age_ns[before], self.clock_ns[earlier])
        return HeldTogether(start, count, raw, present, age_ns)

    def _ages(
        self, pairs: Sequence[tuple[int, int]], joins: Sequence[NDArray[np.intp] | None]
    ) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
        """Age of the newest sample of each joined pair at its frames, and where each pair begins.

        Where it came before the chunk: the clock of the frame itself.
        """
        samples, clock = self._prepared.samples, self._clock
        ages, offsets, begin = [], np.zeros(len(joins), np.intp), 0
        for number, ((slot, group), join) in enumerate(zip(pairs, joins, strict=True)):
            if join is None:
                continue
            offsets[number] = begin
            begin += len(join)
            stamped = clock[samples.rows[samples.slot_start[slot] : samples.slot_start[slot + 1]]]
            first = int(join.searchsorted(0))
            stamped[first:] -= clock[samples.frames[samples.group_start[group] + join[first:]]]
            ages.append(stamped)
        return np.concatenate(ages), offsets

    def carry(self) -> None:
        """Keep the newest sample of every needed column of the chunk; once, when all have asked."""
        samples = self._prepared.samples
        starts = samples.column_start
        came = self._needed[starts[self._needed] < starts[self._needed + 1]]
        last = starts[came + 1] - 1
        self.raw[came] = samples.raw[last]
        self.present[came] = True if samples.valid is None else samples.valid[last]
        group = samples.plan.column_group[came]
        frames = samples.frames[samples.group_start[group] + samples.group_count[group] - 1]
        self.clock_ns[came] = self._clock[frames]
        del self._prepared, self._clock  # whoever asks now is too late, and would be told of the chunk before


def latest(samples: Samples, slot: int, group: int) -> NDArray[np.intp] | None:
    """Return where the newest sample of a group stands at each frame of a slot, its own included.

    Returns:
        intp[frames of the slot], index into the group's samples, ascending; -1 where it came before the
        chunk. None where every frame of the slot carries the group.
    """
    if group == samples.plan.slots[slot].groups.start:
        return None
    rows = samples.rows[samples.slot_start[slot] : samples.slot_start[slot + 1]]
    return _latest(samples.positions(samples.plan.groups[group].columns.start), rows, own_counts=True)


def _latest(positions: NDArray[np.intp], rows: NDArray[np.intp], *, own_counts: bool) -> NDArray[np.intp]:
    """Which of the samples at `positions` is the newest at each of `rows`; -1 for none of them."""
    return np.searchsorted(positions, rows, side="right" if own_counts else "left") - 1


def ages_ns(clock: NDArray[np.int64], sampled: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return int64[n], the age at `clock` of what came at `sampled`; -1 where that is NEVER_NS."""
    return np.where(sampled == NEVER_NS, -1, clock - sampled)
