"""What the columns of a table of records are called, what they hold, and in what unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.errors import UsageError
from canmap.records.columns import FieldColumn, RecordChunk
from canmap.records.motion import FIELDS
from canmap.vocabulary.record_types import field_types

if TYPE_CHECKING:
    from canmap.mapping.model import RecordRule
    from canmap.vocabulary.record_types import FieldType

AGE, OUT_OF_RANGE = "_age_s", "_out_of_range"  # behind the name of a field


class TableColumn(NamedTuple):
    """A column of a table of records.

    Attributes:
        name: Its name.
        unit: Unit of its values, "1" for a plain number, "" for what has none.
        meaning: What it says, with the sign.
    """

    name: str
    unit: str
    meaning: str


def exported_fields(rule: RecordRule) -> dict[str, FieldType]:
    """Return the fields that the records of a rule have, by name, in the order of their type."""
    made = set(FIELDS) if rule.derived else {field.type.name for field in rule.fields}
    return {name: kind for name, kind in field_types(rule.type).items() if name in made}


def no_records(rule: RecordRule) -> RecordChunk:
    """Return no records of a rule, with the columns that they would have."""
    none, ages = np.zeros(0, np.bool_), np.zeros(0, np.int64)
    columns = {
        name: FieldColumn(np.zeros(0) if field.kind is float else ages, none, ages, none)
        for name, field in exported_fields(rule).items()
    }
    return RecordChunk(rule.name, rule.type, ages, ages, ages, columns)


def table_columns(rule: RecordRule) -> tuple[TableColumn, ...]:
    """Return the columns of the table of the records of a rule.

    Raises:
        UsageError: Two of them have one name.
    """
    columns = [
        TableColumn("t_s", "s", "session time"),
        TableColumn("stamp_ns", "ns", "stamp of the frame, as the capture has it"),
    ]
    for name, field in exported_fields(rule).items():
        columns += [
            TableColumn(name, field.unit, field.meaning),
            TableColumn(name + AGE, "s", f"age of {name}"),
            TableColumn(name + OUT_OF_RANGE, "", f"{name} was outside its range"),
        ]
    names = [column.name for column in columns]
    require_apart(rule.name, names)
    return tuple(columns)


def require_apart(record: str, names: list[str]) -> None:
    """Check that no two of the names that a record is written with are one.

    Raises:
        UsageError: Two are.
    """
    for name in names:
        if names.count(name) > 1:
            raise UsageError(
                f"The record {record} has a field {name}, a name that an export gives to something else; "
                "rename the field."
            )
