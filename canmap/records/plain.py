"""The plain fields of all records of a chunk in one pass, however many records there are.

A field is plain where it is made of one integer signal, without a table, codes for no data, or conditions;
most are. Their samples are gathered one field after the other into one array and scaled at once, so that a
chunk of few frames costs little. A field of which a sample is outside its range is left to `build`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.records.columns import FieldColumn
from canmap.signals.plan import ColumnKind
from canmap.signals.values import Choice, Quantity
from canmap.timing.newest import Together

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.records.build import FieldPlan
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.timing.newest import Newest

_FOR_EVER = np.iinfo(np.int64).max
MOST_RECORDS = 1 << 10  # of a kind in a chunk: with more it is faster to take its fields one by one
_CODES = 256  # raw codes that are looked up in a table; all others mean nothing


def is_plain(field: FieldPlan) -> bool:
    """Tell whether a field can be made in the one pass."""
    if field.conditions or any(field.rule.no_data) or field.kinds != (ColumnKind.INTEGER,):
        return False
    if isinstance(field.value, Choice):
        codes = field.value.codes
        return codes is None or bool(codes[0] >= 0 and codes[-1] < _CODES)
    counted = field.range is None or field.range.counts is not None
    return counted and field.value.table is None and field.value.reach is not None


@dataclass(frozen=True, slots=True)
class _Gathered:
    """The newest samples of some fields at their records, one field after the other.

    Attributes:
        fields: intp[k], the fields that have records in the chunk.
        start: intp[k], where the records of each begin.
        count: intp[k], how many they are.
        raw: int64[n], raw values.
        valid: bool[n]; None where all are.
        age_ns: int64[n], -1 where none ever came; None where no sample has an age.
    """

    fields: NDArray[np.intp]
    start: NDArray[np.intp]
    count: NDArray[np.intp]
    raw: NDArray[np.int64]
    valid: NDArray[np.bool_] | None
    age_ns: NDArray[np.int64] | None


class _Sources:
    """Where the samples of some fields come from.

    Args:
        plan: The decode plan.
        fields: Number of the record, slot that stamps it, and plan of each field.
    """

    def __init__(self, plan: DecodePlan, fields: Sequence[tuple[int, int, FieldPlan]]) -> None:
        self._record = np.array([record for record, _, _ in fields], np.intp)
        self._asked = Together(plan, [(slot, field.value.columns[0]) for _, slot, field in fields])
        ages = [field.rule.max_age_ns for _, _, field in fields]
        self._max_age_ns = np.array([_FOR_EVER if age is None else age for age in ages], np.int64)

    def gather(self, newest: Newest, records: NDArray[np.intp]) -> _Gathered | None:
        """Gather the samples; None where no field has a record.

        Args:
            newest: The newest samples at the chunk.
            records: intp[records], how many records of each kind the chunk has.
        """
        fields = np.flatnonzero(records[self._record])
        if not len(fields):
            return None
        held = newest.together(self._asked, fields)
        valid, age_ns = held.present, held.age_ns
        if valid is not None and age_ns is not None:
            valid &= age_ns <= np.repeat(self._max_age_ns[fields], held.count)
        return _Gathered(fields, held.start, held.count, held.raw, valid, age_ns)


class PlainFields:
    """Makes the plain fields of all records.

    Args:
        plan: The decode plan.
        records: The slot that stamps each kind of record, and its fields.
    """

    def __init__(self, plan: DecodePlan, records: Sequence[tuple[int, Sequence[FieldPlan]]]) -> None:
        self._slot = np.array([slot for slot, _ in records], np.intp)
        plain = [
            (number, slot, field)
            for number, (slot, fields) in enumerate(records)
            for field in fields
            if is_plain(field)
        ]
        self._quantities = [one for one in plain if isinstance(one[2].value, Quantity)]
        self._choices = [one for one in plain if isinstance(one[2].value, Choice)]
        self._of_quantities = _Sources(plan, self._quantities)
        self._of_choices = _Sources(plan, self._choices)
        self._lines = np.array([_line(field) for _, _, field in self._quantities], np.float64).reshape(-1, 4)
        self._limits = np.array([_limits(field) for _, _, field in self._quantities], np.int64).reshape(-1, 2)
        tables = [_table(field) for _, _, field in self._choices]
        self._meaning = np.concatenate(
            [np.zeros((0, 2), np.int64), *(one for one in tables if one is not None)]
        )
        has_table = np.array([one is not None for one in tables], np.bool_)
        self._table = np.where(has_table, (np.cumsum(has_table) - 1) * (_CODES + 1), -1)

    def build(self, samples: Samples, newest: Newest) -> list[dict[str, FieldColumn]]:
        """Return the plain fields of each kind of record by name, as far as one pass is the faster way."""
        made: list[dict[str, FieldColumn]] = [{} for _ in self._slot]
        records = np.diff(samples.slot_start)[self._slot]
        records[records > MOST_RECORDS] = 0
        most = int(records.max(initial=0))
        shared = np.ones(most, np.bool_), np.zeros(most, np.bool_), np.zeros(most, np.int64)
        for number, name, column in (
            *self._numbers(self._of_quantities.gather(newest, records), shared),
            *self._codes(self._of_choices.gather(newest, records), shared),
        ):
            made[number][name] = column
        return made

    def _numbers(self, gathered: _Gathered | None, shared: _Shared) -> Iterator[tuple[int, str, FieldColumn]]:
        if gathered is None:
            return
        fields, count, raw = gathered.fields, gathered.count, gathered.raw
        values = raw.astype(np.float64)
        for factor, offset in ((0, 1), (2, 3)):
            values *= np.repeat(self._lines[fields, factor], count)
            values += np.repeat(self._lines[fields, offset], count)
        low, high = self._limits[fields].T
        inside = (np.minimum.reduceat(raw, gathered.start) >= low) & (
            np.maximum.reduceat(raw, gathered.start) <= high
        )
        yield from _columns(self._quantities, gathered, values, inside, shared)

    def _codes(self, gathered: _Gathered | None, shared: _Shared) -> Iterator[tuple[int, str, FieldColumn]]:
        if gathered is None:
            return
        table = np.repeat(self._table[gathered.fields], gathered.count)
        code = gathered.raw.astype(np.uint64)  # negative ones become large
        place = table + np.minimum(code, _CODES).astype(np.int64)
        values, valid = gathered.raw, gathered.valid
        if len(self._meaning):
            looked_up = self._meaning.take(place, axis=0, mode="clip")
            values = np.where(table < 0, values, looked_up[:, 0])
            known = (table < 0) | (looked_up[:, 1] > 0)
            valid = known if valid is None else valid & known
        everywhere = np.ones(len(gathered.fields), np.bool_)
        found = _Gathered(
            gathered.fields, gathered.start, gathered.count, gathered.raw, valid, gathered.age_ns
        )
        yield from _columns(self._choices, found, values, everywhere, shared)


_Shared = tuple["NDArray[np.bool_]", "NDArray[np.bool_]", "NDArray[np.int64]"]  # always, never, without age


def _columns(
    owners: Sequence[tuple[int, int, FieldPlan]],
    gathered: _Gathered,
    values: NDArray[np.float64] | NDArray[np.int64],
    wanted: NDArray[np.bool_],
    shared: _Shared,
) -> Iterator[tuple[int, str, FieldColumn]]:
    """Yield the record, the name and the column of each wanted field: slices of what all have in common."""
    always, never, ageless = shared
    valid, age_ns = gathered.valid, gathered.age_ns
    spans = zip(
        gathered.fields.tolist(),
        gathered.start.tolist(),
        gathered.count.tolist(),
        wanted.tolist(),
        strict=True,
    )
    for field, start, count, yes in spans:
        if not yes:
            continue
        part = slice(start, start + count)
        number, _, plan = owners[field]
        yield (
            number,
            plan.rule.type.name,
            FieldColumn(
                values[part],
                always[:count] if valid is None else valid[part],
                ageless[:count] if age_ns is None else age_ns[part],
                never[:count],
            ),
        )


def _line(field: FieldPlan) -> tuple[float, float, float, float]:
    """Factor and offset of the description, then those of the spec: the order in which they are taken."""
    if not isinstance(field.value, Quantity):
        raise TypeError(field.rule.type.name)
    described, own = field.value.scalings[0].line, field.value.line
    return described.factor, described.offset, own.factor, own.offset


def _limits(field: FieldPlan) -> tuple[int, int]:
    """Smallest and largest raw value that is inside the range of a field."""
    if field.range is None or field.range.counts is None:
        return -_FOR_EVER - 1, _FOR_EVER
    return field.range.counts


def _table(field: FieldPlan) -> NDArray[np.int64] | None:
    """Meaning of each raw code and whether it has one, int64[257, 2]; None where a code means itself."""
    if not isinstance(field.value, Choice) or field.value.codes is None or field.value.meanings is None:
        return None
    table = np.zeros((_CODES + 1, 2), np.int64)
    table[field.value.codes, 0] = field.value.meanings
    table[field.value.codes, 1] = 1
    return table
