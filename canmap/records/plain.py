"""The plain fields of all records of a chunk in one pass, however many records there are.

A field is plain where it is made of one integer signal, without a table, codes for no data, or conditions;
most are. Their samples are gathered one field after the other into one array and scaled at once, so that a
chunk of few frames costs little. A field of which a sample is outside its range is left to `build`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.records.columns import FieldColumn
from canmap.signals.plan import ColumnKind
from canmap.signals.values import Choice, Quantity
from canmap.timing.newest import Together

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    if field.conditions or field.negative or any(field.rule.no_data) or field.kinds != (ColumnKind.INTEGER,):
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
        fields: intp[k], the fields that have records in the chunk, ascending.
        bounds: intp[k + 1], where the records of each begin, and the end.
        of: intp[n], the field of each value.
        raw: int64[n], raw values.
        valid: bool[n].
        age_ns: int64[n], -1 where none ever came.
    """

    fields: NDArray[np.intp]
    bounds: NDArray[np.intp]
    of: NDArray[np.intp]
    raw: NDArray[np.int64]
    valid: NDArray[np.bool_]
    age_ns: NDArray[np.int64]

    def split(self, field: int) -> tuple[_Gathered, _Gathered]:
        """Return the fields before one, and it with all behind it."""
        count = int(self.fields.searchsorted(field))
        middle = self.bounds[count]
        return (
            _Gathered(
                self.fields[:count],
                self.bounds[: count + 1],
                self.of[:middle],
                self.raw[:middle],
                self.valid[:middle],
                self.age_ns[:middle],
            ),
            _Gathered(
                self.fields[count:],
                self.bounds[count:] - middle,
                self.of[middle:],
                self.raw[middle:],
                self.valid[middle:],
                self.age_ns[middle:],
            ),
        )


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
        fields = records[self._record].nonzero()[0]
        if not len(fields):
            return None
        held = newest.together(self._asked, fields)
        valid = held.present
        if held.any_age:
            valid = valid & (held.age_ns <= self._max_age_ns[held.of])
        return _Gathered(fields, held.bounds, held.of, held.raw, valid, held.age_ns)


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
        quantities = [one for one in plain if isinstance(one[2].value, Quantity)]
        choices = [one for one in plain if isinstance(one[2].value, Choice)]
        self._first_choice = len(quantities)
        self._sources = _Sources(plan, quantities + choices)
        self._names = [(number, field.rule.type.name) for number, _, field in quantities + choices]
        self._lines = np.array([_line(field) for _, _, field in quantities], np.float64).reshape(-1, 4).T
        self._limits = np.array([_limits(field) for _, _, field in quantities], np.int64).reshape(-1, 2).T
        tables = [_table(field) for _, _, field in choices]
        self._meaning = np.concatenate(
            [np.zeros((0, 2), np.int64), *(one for one in tables if one is not None)]
        )
        has_table = np.array([one is not None for one in tables], np.bool_)
        self._table = np.where(has_table, (np.cumsum(has_table) - 1) * (_CODES + 1), -1)

    def build(self, samples: Samples, newest: Newest) -> list[dict[str, FieldColumn]]:
        """Return the plain fields of each kind of record by name, as far as one pass is the faster way."""
        made: list[dict[str, FieldColumn]] = [{} for _ in self._slot]
        start = samples.slot_start
        records = (start[1:] - start[:-1])[self._slot]
        records[records > MOST_RECORDS] = 0
        gathered = self._sources.gather(newest, records)
        if gathered is not None:
            numbers, codes = gathered.split(self._first_choice)
            if len(numbers.fields):
                self._keep(made, numbers, *self._numbers(numbers))
            if len(codes.fields):
                self._keep(made, codes, *self._codes(codes))
        return made

    def _numbers(
        self, gathered: _Gathered
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        """Values and which are valid, and the fields that have none outside their range."""
        values = gathered.raw.astype(np.float64)
        factor, offset, own_factor, own_offset = self._lines.take(gathered.of, axis=1)
        values *= factor
        values += offset
        values *= own_factor
        values += own_offset
        start = gathered.bounds[:-1]
        low, high = self._limits.take(gathered.fields, axis=1)
        inside = np.minimum.reduceat(gathered.raw, start) >= low
        inside &= np.maximum.reduceat(gathered.raw, start) <= high
        return values, gathered.valid, inside

    def _codes(self, gathered: _Gathered) -> tuple[NDArray[np.int64], NDArray[np.bool_], None]:
        """Values and which are valid."""
        if not len(self._meaning):
            return gathered.raw, gathered.valid, None
        table = self._table[gathered.of - self._first_choice]
        place = gathered.raw.view(np.uint64).clip(max=_CODES).view(np.int64)  # negative ones become large
        place += table
        meaning, known = self._meaning.take(place, axis=0, mode="clip").T
        itself = table < 0
        values = np.where(itself, gathered.raw, meaning)
        return values, gathered.valid & (itself | (known > 0)), None

    def _keep(
        self,
        made: list[dict[str, FieldColumn]],
        gathered: _Gathered,
        values: NDArray[np.float64] | NDArray[np.int64],
        valid: NDArray[np.bool_],
        wanted: NDArray[np.bool_] | None,
    ) -> None:
        """Put the columns of the wanted fields, all by default, to their records: slices of one array."""
        never = np.zeros(len(values), np.bool_)
        fields, bounds = gathered.fields.tolist(), gathered.bounds.tolist()
        for place in range(len(fields)) if wanted is None else wanted.nonzero()[0].tolist():
            number, name = self._names[fields[place]]
            part = slice(bounds[place], bounds[place + 1])
            made[number][name] = FieldColumn(values[part], valid[part], gathered.age_ns[part], never[part])


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
