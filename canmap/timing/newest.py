"""Sample and hold: the newest sample of a signal at any frames of a chunk, carried from chunk to chunk.

`latest` is the pure half: where in a chunk the newest samples stand. `Newest` knows what came before it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

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

    Attributes:
        slot: intp[k], slot of each.
        column: intp[k], its column.
        pairs: The (slot, group) pairs of those that the frames of their slot do not carry themselves.
        pair: intp[k], the pair of each, -1 for one that they do.
        pair_slot: intp[pairs], slot of each pair.
        pair_group: intp[pairs], its group.
    """

    def __init__(self, plan: DecodePlan, asked: Sequence[tuple[int, int]]) -> None:
        pairs = [(slot, plan.columns[column].group) for slot, column in asked]
        joined = [pair for pair in dict.fromkeys(pairs) if plan.slots[pair[0]].groups.start != pair[1]]
        number = {pair: index for index, pair in enumerate(joined)}
        self.slot = np.array([slot for slot, _ in asked], np.intp)
        self.column = np.array([column for _, column in asked], np.intp)
        self.pairs = tuple(joined)
        self.pair = np.array([number.get(pair, -1) for pair in pairs], np.intp)
        self.pair_slot = np.array([slot for slot, _ in joined], np.intp)
        self.pair_group = np.array([group for _, group in joined], np.intp)


@dataclass(frozen=True, slots=True)
class HeldTogether:
    """The newest samples of several columns at their frames, one column after the other.

    Attributes:
        bounds: intp[k + 1], where the frames of each begin, and the end.
        of: intp[n], which of all that may be asked for each sample is of.
        raw: int64[n], raw values.
        present: bool[n], they have come and their payloads held them.
        age_ns: int64[n], -1 where none ever came.
        any_age: Whether any of them is not carried by its very frame.
    """

    bounds: NDArray[np.intp]
    of: NDArray[np.intp]
    raw: NDArray[np.int64]
    present: NDArray[np.bool_]
    age_ns: NDArray[np.int64]
    any_age: bool


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
        samples = self._prepared.samples
        frames = samples.slot_start[1:] - samples.slot_start[:-1]
        count = frames[asked.slot[wanted]]
        bounds = np.zeros(len(wanted) + 1, np.intp)
        count.cumsum(out=bounds[1:])
        of = wanted.repeat(count)
        column = asked.column[of]
        place = np.arange(len(of))
        place -= bounds[:-1].repeat(count)
        age_ns = np.zeros(len(of), np.int64)
        pair = asked.pair[of]
        joined = (pair >= 0).nonzero()[0]
        before = joined[:0]
        if len(joined):
            newest, ages, start = self._joined(asked, frames, wanted)
            at = place[joined] + start[pair[joined]]
            place[joined] = taken = newest[at]
            age_ns[joined] = ages[at]
            before = joined[taken < 0]
        place += samples.column_start[column]
        place[before] = 0
        raw = samples.raw[place] if len(samples.raw) else np.zeros(len(of), np.int64)
        present = np.ones(len(of), np.bool_) if samples.valid is None else samples.valid[place]
        if len(before):
            earlier = column[before]
            raw[before], present[before] = self.raw[earlier], self.present[earlier]
            age_ns[before] = ages_ns(age_ns[before], self.clock_ns[earlier])
        return HeldTogether(bounds, of, raw, present, age_ns, any_age=bool(len(joined)))

    def _joined(
        self, asked: Together, frames: NDArray[np.intp], wanted: NDArray[np.intp]
    ) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.intp]]:
        """The newest sample of each wanted pair at its frames, its age, and where each pair begins.

        Where it came before the chunk: -1, and the clock of the frame itself.
        """
        samples = self._prepared.samples
        is_wanted = np.zeros(len(asked.pairs) + 1, np.bool_)  # one more for the -1 of those without a pair
        is_wanted[asked.pair[wanted]] = True
        count = np.where(is_wanted[:-1], frames[asked.pair_slot], 0)
        start = count.cumsum() - count
        joins = [self._prepared.joins[asked.pairs[pair]] for pair in count.nonzero()[0].tolist()]
        newest = np.concatenate([join for join in joins if join is not None])
        pair = np.arange(len(count)).repeat(count)
        stamped = np.arange(len(newest)) + (samples.slot_start[asked.pair_slot] - start)[pair]
        ages = self._clock[samples.rows[stamped]]
        came = (newest >= 0).nonzero()[0]
        if len(came):
            sampled = newest[came] + samples.group_start[asked.pair_group[pair[came]]]
            ages[came] -= self._clock[samples.frames[sampled]]
        return newest, ages, start

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
    places: NDArray[np.intp] = positions.searchsorted(rows, side="right" if own_counts else "left")
    places -= 1
    return places


def ages_ns(clock: NDArray[np.int64], sampled: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return int64[n], the age at `clock` of what came at `sampled`; -1 where that is NEVER_NS."""
    return np.where(sampled == NEVER_NS, -1, clock - sampled)
