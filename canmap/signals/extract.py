"""2. Payloads to raw values: every described signal of every frame of a chunk.

In come the payloads of a chunk and the slot of each frame, out go `Samples`. Frames are sorted by slot
once, the frames of each multiplexed group are listed after them, and then one flat pass over all
columns reads the words, with the constants of each column repeated for its samples. The pass goes tile
by tile so that its work space stays in the cache: that makes it three times as fast. Where there are many
frames to a group, it goes group by group instead, and repeats nothing.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.description.description import NoData
    from canmap.signals.plan import DecodePlan, Reading, Switch

TILE_SAMPLES = 16_384
MANY_FRAMES = 1000  # of a group on average, from which on it takes less time to read them group by group
_RADIX_FRAMES = 32_768


@dataclass(frozen=True)
class Samples:
    """The raw values of a chunk, column after column.

    Attributes:
        plan: What the columns are.
        rows: intp[m], the frames that have a slot, ordered by slot, within a slot as they arrived.
        slot_start: intp[slots + 1], bounds of each slot in `rows`.
        raw: int64[samples], all samples of column 0, then of column 1, ...: two's complement; the bit
            pattern of an unsigned integer of 64 bits; the bit pattern of an IEEE number, zero-extended.
            0 where not valid.
        column_start: intp[columns + 1], bounds of each column in `raw`.
        valid: bool[samples], False where the payload is too short to hold the signal; None when all are.
        frames: intp[k], `rows`, and after them the frames of each multiplexed group.
        group_start: intp[groups], where the frames of each group begin in `frames`.
        group_count: intp[groups], how many they are.
    """

    plan: DecodePlan
    rows: NDArray[np.intp]
    slot_start: NDArray[np.intp]
    raw: NDArray[np.int64]
    column_start: NDArray[np.intp]
    valid: NDArray[np.bool_] | None
    frames: NDArray[np.intp]
    group_start: NDArray[np.intp]
    group_count: NDArray[np.intp]

    def positions(self, column: int) -> NDArray[np.intp]:
        """Return intp[k]: the place in the chunk of each sample of `column`, ascending."""
        group = self.plan.columns[column].group
        start = self.group_start[group]
        return self.frames[start : start + self.group_count[group]]

    def values(self, column: int) -> NDArray[np.int64]:
        """Return int64[k]: the raw values of `column`, as `raw` holds them."""
        return self.raw[self.column_start[column] : self.column_start[column + 1]]

    def physical(self, column: int) -> NDArray[np.float64]:
        """Return float64[k]: raw * factor + offset of `column`, in the unit of its description."""
        described = self.plan.columns[column]
        numbers = as_float64(self.values(column), described.kind, described.signal.bits)
        with np.errstate(invalid="ignore", over="ignore"):
            return numbers * float(described.signal.factor) + float(described.signal.offset)

    def without(self, gone: NDArray[np.bool_]) -> Samples:
        """Return the samples of the frames that are not `gone`, bool[frames of the chunk]."""
        kept = ~gone[self.frames]
        before = np.concatenate(([0], kept.cumsum()))
        group_stop = self.group_start + self.group_count
        counts = np.diff(self.column_start)
        # Where in `frames` each sample stands.
        first = self.group_start[self.plan.column_group] - self.column_start[:-1]
        sampled = kept[first.repeat(counts) + np.arange(len(self.raw))]
        return Samples(
            plan=self.plan,
            rows=self.rows[kept[: len(self.rows)]],
            slot_start=before[self.slot_start],
            raw=self.raw[sampled],
            column_start=np.concatenate(([0], sampled.cumsum()))[self.column_start],
            valid=None if self.valid is None else self.valid[sampled],
            frames=self.frames[kept],
            group_start=before[self.group_start],
            group_count=before[group_stop] - before[self.group_start],
        )


def counts(raw: NDArray[np.int64], kind: ColumnKind) -> NDArray[np.int64] | NDArray[np.uint64]:
    """Return the integers that raw values int64[n] of a column of `kind` stand for: int64[n] or uint64[n]."""
    return raw.view(np.uint64) if kind is ColumnKind.WIDE_UNSIGNED else raw


def among(raw: NDArray[np.int64], kind: ColumnKind, spans: Iterable[tuple[int, int]]) -> NDArray[np.bool_]:
    """Return bool[n]: which raw values int64[n] of a column of `kind` lie in one of the inclusive `spans`."""
    numbers = counts(raw, kind)
    found = np.zeros(len(raw), np.bool_)
    for low, high in spans:
        found |= (numbers >= low) & (numbers <= high)
    return found


def no_data(raw: NDArray[np.int64], kind: ColumnKind, codes: Sequence[NoData]) -> NDArray[np.bool_]:
    """Return bool[n]: which raw values int64[n] of a column of `kind` are codes that are no value."""
    return among(raw, kind, ((span.low, span.high) for span in codes))


def patterns(codes: Iterable[int]) -> NDArray[np.int64]:
    """Return int64[k], raw codes as raw values hold them: those from 2**63 on as negative numbers."""
    return np.array([code - (1 << 64) if code >> 63 > 0 else code for code in codes], np.int64)


def as_float64(raw: NDArray[np.int64], kind: ColumnKind, bits: int) -> NDArray[np.float64]:
    """Return the numbers that the raw values of a column of `kind` and `bits` stand for, as a new array."""
    if kind is ColumnKind.INTEGER:
        return raw.astype(np.float64)
    if kind is ColumnKind.WIDE_UNSIGNED:
        return raw.view(np.uint64).astype(np.float64)
    pattern = raw.astype(f"u{bits // 8}")
    with np.errstate(invalid="ignore"):
        return pattern.view(f"f{bits // 8}").astype(np.float64)


def extract(
    plan: DecodePlan,
    payload: NDArray[np.uint8],
    length: NDArray[np.uint8],
    slot: NDArray[np.integer],
) -> Samples:
    """Read every described signal.

    Args:
        plan: What is described.
        payload: uint8[n, 8 or 64], C-contiguous.
        length: uint8[n], payload bytes of each frame.
        slot: Integer[n], slot of each frame, -1 for none (`DecodePlan.slots_of`).
    """
    rows, slot_start = sort_by_slot(slot, len(plan.slots))
    grouping = _Grouping(plan, rows, slot_start)
    short_slots = _short_slots(plan, length.take(rows), slot_start)
    if plan.switches:
        for number in (slot_start[1:] - slot_start[:-1]).take(plan.switch_slot).nonzero()[0]:
            is_short = plan.switch_slot[number] in short_slots
            grouping.split(plan.switches[number], payload, length if is_short else None)
    frames = np.concatenate([rows, *grouping.selected]) if grouping.selected else rows
    column_start = np.zeros(len(plan.columns) + 1, np.intp)
    grouping.count.take(plan.column_group).cumsum(out=column_start[1:])
    spans = _Spans(grouping.start, grouping.count, column_start)
    samples = Samples(
        plan=plan,
        rows=rows,
        slot_start=slot_start,
        raw=_read(plan, payload, frames, spans).view(np.int64),
        column_start=column_start,
        valid=None,
        frames=frames,
        group_start=grouping.start,
        group_count=grouping.count,
    )
    if not short_slots:
        return samples
    return replace(samples, valid=_clear_short(samples, short_slots, length.take(frames)))


class _Grouping:
    """Which frames each group is present in.

    Attributes:
        start: intp[groups], where its frames begin in `rows` followed by `selected`.
        count: intp[groups], how many they are.
        selected: The frames of each multiplexed group that is present at all.
    """

    def __init__(self, plan: DecodePlan, rows: NDArray[np.intp], slot_start: NDArray[np.intp]) -> None:
        self.plan = plan
        self.rows = rows
        self.start = np.zeros(len(plan.groups), np.intp)
        self.count = np.zeros(len(plan.groups), np.intp)
        self.start[plan.base_group] = slot_start[:-1]
        self.count[plan.base_group] = slot_start[1:] - slot_start[:-1]
        self.selected: list[NDArray[np.intp]] = []
        self._end = len(rows)

    def split(self, switch: Switch, payload: NDArray[np.uint8], length: NDArray[np.uint8] | None) -> None:
        """Find the frames of the groups of `switch`; `length` where some payloads are too short."""
        selector = self.plan.columns[switch.selector]
        among = self._frames(selector.group)
        if not len(among):
            return
        choice = switch.choose(_selector_numbers(self.plan, switch.selector, payload, among))
        if length is not None:
            choice[length.take(among) < selector.bytes_needed] = len(switch.groups)
        counts = np.bincount(choice, minlength=len(switch.groups) + 1)[:-1]
        ends = np.cumsum(counts)
        self.start[switch.groups] = self._end + ends - counts
        self.count[switch.groups] = counts
        self.selected.append(among.take(choice.argsort(kind="stable")[: ends[-1]]))
        self._end += int(ends[-1])

    def _frames(self, group: int) -> NDArray[np.intp]:
        """Return the frames of `group`, whose own switch was split already."""
        start, count = self.start[group], self.count[group]
        if self.plan.groups[group].selector is None:
            return self.rows[start : start + count]
        return np.concatenate(self.selected)[start - len(self.rows) :][:count]


def _selector_numbers(
    plan: DecodePlan, selector: int, payload: NDArray[np.uint8], frames: NDArray[np.intp]
) -> NDArray[np.int64] | NDArray[np.uint64]:
    """Return what the column `selector` holds in `frames`, whether or not their payload is long enough."""
    reading = plan.readings[payload.shape[1]]

    def word(row: int) -> NDArray[np.uint64]:
        words = payload.shape[1] // 8
        place = frames if words == 1 else frames * words + row % words
        order = ">u8" if row >= words else "<u8"
        return payload.ravel().view(order).take(place).astype(np.uint64, copy=False)

    raw = word(int(reading.row[selector])) << reading.left[selector]
    if reading.crosses[selector]:
        raw |= word(int(reading.next_row[selector])) >> reading.spill[selector]
    signed: NDArray[np.int64] = raw.view(np.int64)
    signed >>= reading.right[selector]
    raw &= reading.mask[selector]
    return raw if plan.columns[selector].kind is ColumnKind.WIDE_UNSIGNED else signed


class _Spans(NamedTuple):
    """Where the frames of each group and the samples of each column are, as in `Samples`."""

    group_start: NDArray[np.intp]
    group_count: NDArray[np.intp]
    column_start: NDArray[np.intp]


def _read(
    plan: DecodePlan, payload: NDArray[np.uint8], frames: NDArray[np.intp], spans: _Spans
) -> NDArray[np.uint64]:
    """Return the raw values of all columns: uint64[samples]."""
    reading = plan.readings[payload.shape[1]]
    raw = np.empty(spans.column_start[-1], np.uint64)
    pool = _word_pool(payload, frames, big_endian=reading.big_endian)
    if len(frames) >= MANY_FRAMES * np.count_nonzero(spans.group_count):
        _read_by_group(plan, reading, pool, spans, raw)
    else:
        _read_in_tiles(plan, reading, pool, spans, raw)
    return raw


def _read_by_group(
    plan: DecodePlan, reading: Reading, pool: NDArray[np.uint64], spans: _Spans, raw: NDArray[np.uint64]
) -> None:
    """Read the columns of each group together, which are all of the same frames, into `raw`."""
    bounds, starts, counts = (part.tolist() for part in (spans.column_start, *spans[:2]))
    left, right, mask = (part[:, np.newaxis] for part in (reading.left, reading.right, reading.mask))
    for number, group in enumerate(plan.groups):
        columns, count = slice(group.columns.start, group.columns.stop), counts[number]
        if not count:
            continue
        words = pool[:, starts[number] : starts[number] + count]
        values = raw[bounds[columns.start] : bounds[columns.stop]].reshape(-1, count)
        np.left_shift(words[reading.word[number]], left[columns], out=values)
        if reading.is_crossed[number]:
            values |= words[reading.next_row[columns]] >> reading.spill[columns, np.newaxis]
        if reading.is_signed[number]:
            signed = values.view(np.int64)
            signed >>= right[columns]
            values &= mask[columns]
        else:
            values >>= right[columns].view(np.uint64)


def _read_in_tiles(
    plan: DecodePlan, reading: Reading, pool: NDArray[np.uint64], spans: _Spans, raw: NDArray[np.uint64]
) -> None:
    """Read all columns in one flat pass, tile by tile, into `raw`."""
    column_start, words = spans.column_start, pool.ravel()
    used = (column_start[1:] > column_start[:-1]).nonzero()[0]
    bounds = np.concatenate((column_start.take(used), column_start[-1:]))
    sizes = bounds[1:] - bounds[:-1]
    # Where in the pool the samples of a column begin, less their place in `raw`.
    first = spans.group_start.take(plan.column_group.take(used)) - bounds[:-1]
    for part, start, stop in _tiles(bounds):
        columns = used[part]
        counts = sizes[part]
        sample = np.arange(start, stop)
        tile = raw[start:stop]
        source = (first[part] + reading.row[columns] * pool.shape[1]).repeat(counts)
        source += sample
        words.take(source, out=tile, mode="clip")
        tile <<= reading.left[columns].repeat(counts)
        if reading.crosses[columns].any():
            source = (first[part] + reading.next_row[columns] * pool.shape[1]).repeat(counts)
            source += sample
            tile |= words.take(source) >> reading.spill[columns].repeat(counts)
        signed = tile.view(np.int64)
        signed >>= reading.right[columns].repeat(counts)
        tile &= reading.mask[columns].repeat(counts)


def _tiles(bounds: NDArray[np.intp]) -> list[tuple[slice, int, int]]:
    """Return slices of columns with about TILE_SAMPLES samples each, and the bounds of their samples.

    `bounds` are those of the samples of each column.
    """
    if bounds[-1] <= TILE_SAMPLES:
        return [(slice(0, len(bounds) - 1), 0, int(bounds[-1]))] if len(bounds) > 1 else []
    steps = np.arange(TILE_SAMPLES, bounds[-1], TILE_SAMPLES)
    edges = sorted({0, *bounds.searchsorted(steps).tolist(), len(bounds) - 1})
    return [(slice(low, high), int(bounds[low]), int(bounds[high])) for low, high in pairwise(edges)]


def _word_pool(
    payload: NDArray[np.uint8], frames: NDArray[np.intp], *, big_endian: bool
) -> NDArray[np.uint64]:
    """Return uint64[words, k], the words of the payloads of `frames`: all first words, all second words, ...

    After the little-endian words come the big-endian ones, where needed.
    """
    little = payload.view("<u8").take(frames, axis=0).T
    words = len(little)
    pool = np.empty((2 * words if big_endian else words, len(frames)), np.uint64)
    pool[:words] = little
    if big_endian:
        pool[words:] = little.view(">u8")
    return pool


def _short_slots(plan: DecodePlan, length: NDArray[np.uint8], slot_start: NDArray[np.intp]) -> set[int]:
    """Return the slots with a frame that is too short for a signal; `length` in the order of slots."""
    present = (slot_start[1:] > slot_start[:-1]).nonzero()[0]
    if not len(present):
        return set()
    shortest = np.minimum.reduceat(length, slot_start[present])
    is_short = shortest < plan.slot_bytes_needed[present]
    return set(present[is_short].tolist()) if is_short.any() else set()


def _clear_short(samples: Samples, short_slots: set[int], length: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which samples their payload is long enough for, and clear the others; `length` as `frames`."""
    plan = samples.plan
    valid = np.ones(len(samples.raw), np.bool_)
    for slot in short_slots:
        for group in plan.slots[slot].groups:
            start = samples.group_start[group]
            of_group = length[start : start + samples.group_count[group]]
            for column in plan.groups[group].columns:
                part = slice(samples.column_start[column], samples.column_start[column + 1])
                valid[part] = of_group >= plan.columns[column].bytes_needed
                samples.raw[part] *= valid[part]
    return valid


def sort_by_slot(slot: NDArray[np.integer], slots: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the frames that have a slot, ordered by slot and arrival, and the bounds of each slot.

    Args:
        slot: Integer[n], slot of each frame, -1 for none.
        slots: How many slots there are.

    Returns:
        intp[m] frames and intp[slots + 1] bounds.
    """
    rows = (slot >= 0).nonzero()[0]
    known = slot if len(rows) == len(slot) else slot.take(rows)
    bounds = np.zeros(slots + 1, np.intp)
    np.bincount(known, minlength=slots).cumsum(out=bounds[1:])
    return rows.take(_stable_order(known, slots)), bounds


def _stable_order(slot: NDArray[np.integer], slots: int) -> NDArray[np.intp]:
    """Return the stable order of `slot`, by the quickest way that measurement found.

    A radix sort of one byte is the best as long as its work space stays in the cache; above that the
    sort of slot and row packed into 32 bits, which is vectorised.
    """
    frames = len(slot)
    if _RADIX_FRAMES < frames <= 1 << 16 and slots <= 1 << 16:
        packed = slot.astype(np.uint32)
        packed <<= 16
        packed |= np.arange(frames, dtype=np.uint32)
        packed.sort()
        packed &= 0xFFFF
        return packed.astype(np.intp)
    return slot.astype(np.min_scalar_type(slots)).argsort(kind="stable")
