"""Records as columns: what the builder hands on, and what a program that kept them gets."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.dataclass import public_dataclass
from canmap.base.errors import CanmapError
from canmap.vocabulary.record_types import field_types

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import polars
    from numpy.typing import NDArray

    from canmap.vocabulary.record_types import FieldType, Record


@public_dataclass(frozen=True, slots=True)
class FieldColumn:
    """One field of a stretch of records.

    Attributes:
        values: float64[n] in the record's unit for a quantity; int64[n] for a choice, or uint64[n] for a
            number that is its own code of 64 bits without sign; without meaning where not valid.
        valid: bool[n], the value is there, fresh and trusted.
        age_ns: int64[n], age of the value at its record (the oldest of a sum); -1 where none ever came.
        flagged: bool[n], the value is valid but outside its range.
    """

    values: NDArray[np.float64] | NDArray[np.int64] | NDArray[np.uint64]
    valid: NDArray[np.bool_]
    age_ns: NDArray[np.int64]
    flagged: NDArray[np.bool_]


@public_dataclass(frozen=True, slots=True)
class RecordChunk:
    """Records of one kind that a chunk of frames gave, in arrival order.

    Attributes:
        name: As the spec names the record.
        type: Class of its rows.
        clock_ns: int64[n], session clock, in ns.
        stamp_ns: int64[n], stamp of the frame that each is stamped by, as the source wrote it.
        frame: int64[n], number of that frame in the session, from 0.
        columns: By field.
    """

    name: str
    type: type[Record]
    clock_ns: NDArray[np.int64]
    stamp_ns: NDArray[np.int64]
    frame: NDArray[np.int64]
    columns: Mapping[str, FieldColumn]

    def __len__(self) -> int:
        return len(self.clock_ns)


class Records:
    """All records of one kind, as columns with validity; iterates as typed rows.

    Example:
        >>> steering = result.records["steering"]        # doctest: +SKIP
        >>> steering.wheel_angle.values[steering.wheel_angle.valid].max()  # doctest: +SKIP

    Args:
        name: As the spec names the record.
        record_type: Class of the rows.
        chunks: At least one, which tells the columns; it may be empty.
        start_ns: Session clock of time 0.

    Attributes:
        name: As the spec names the record.
        type: Class of the rows.
        start_ns: Session clock of time 0.
        clock_ns: int64[n], session clock.
        stamp_ns: int64[n], stamps as the source wrote them.
        columns: By field: `FieldColumn`.
    """

    def __init__(
        self, name: str, record_type: type[Record], chunks: Sequence[RecordChunk], start_ns: int
    ) -> None:
        self.name, self.type, self.start_ns = name, record_type, start_ns
        self.clock_ns = np.concatenate([np.zeros(0, np.int64), *(chunk.clock_ns for chunk in chunks)])
        self.stamp_ns = np.concatenate([np.zeros(0, np.int64), *(chunk.stamp_ns for chunk in chunks)])
        self.columns = {
            field: joined_columns([chunk.columns[field] for chunk in chunks]) for field in chunks[0].columns
        }

    @property
    def t_s(self) -> NDArray[np.float64]:
        """float64[n], session time in seconds."""
        return (self.clock_ns - self.start_ns) / 1e9

    def __len__(self) -> int:
        return len(self.clock_ns)

    def __getattr__(self, field: str) -> FieldColumn:
        columns: dict[str, FieldColumn] = self.__dict__.get("columns", {})
        if field in columns:
            return columns[field]
        raise AttributeError(
            f"record {self.__dict__.get('name')} has no field {field}; it has {', '.join(columns)}"
        )

    def __iter__(self) -> Iterator[Record]:
        kinds = field_types(self.type)
        lists = {field: _as_objects(column, kinds[field]) for field, column in self.columns.items()}
        for i, (t_s, stamp_ns) in enumerate(zip(self.t_s.tolist(), self.stamp_ns.tolist(), strict=True)):
            yield self.type(
                t_s=t_s, stamp_ns=stamp_ns, **{field: values[i] for field, values in lists.items()}
            )

    def to_polars(self) -> polars.DataFrame:
        """Return a polars data frame: `t_s`, `stamp_ns` and a column a field, null where not valid.

        A quantity is Float64 in the record's unit, a yes or no Boolean, a state an Enum of its names in lower
        case, as the spec and the JSON write them, and a code Int64 (UInt64 of 64 bits without sign).

        Raises:
            CanmapError: polars is not installed.
        """
        try:
            import polars  # noqa: PLC0415  # heavy, and only here
        except ImportError as error:
            raise CanmapError(
                "Tables need polars, which is not installed: pip install 'canmap[tables]'."
            ) from error
        kinds = field_types(self.type)
        data: dict[str, Any] = {"t_s": self.t_s, "stamp_ns": self.stamp_ns}
        for field, column in self.columns.items():
            kind = kinds[field].kind
            values = polars.Series(column.values)
            if kind is bool:
                values = values.cast(polars.Boolean)
            elif issubclass(kind, IntEnum):
                names = {state.value: state.name.lower() for state in kind}
                states = polars.Enum(list(names.values()))
                values = values.replace_strict(names, default=None, return_dtype=states)
            nothing = polars.Series([None], dtype=values.dtype)
            data[field] = values.zip_with(polars.Series(column.valid), nothing)
        return polars.DataFrame(data)


def joined_columns(parts: Sequence[FieldColumn]) -> FieldColumn:
    """Return one stretch of records of several, at least one, that follow each other."""
    return FieldColumn(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("values", "valid", "age_ns", "flagged")
        )
    )


def _as_objects(column: FieldColumn, kind: FieldType) -> list[Any]:
    pairs = zip(column.values.tolist(), column.valid.tolist(), strict=True)
    return [kind.kind(value) if valid else None for value, valid in pairs]
