"""Columns of records as texts, a cell each: numbers with the fewest digits that read back the same."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.records.columns import FieldColumn
    from canmap.vocabulary.record_types import FieldType

NS = 1e9


def value_texts(column: FieldColumn, field: FieldType, absent: str, quote: str = "") -> NDArray[np.object_]:
    """Return the values of a column as texts, str[n].

    Args:
        column: The values.
        field: What they are.
        absent: What stands where no value is valid.
        quote: What stands before and behind the name of a state.
    """
    kind = field.kind
    if kind is float:
        return _texts(column.values + 0.0, column.valid & np.isfinite(column.values), repr, absent)
    if kind is bool:
        return _texts(column.values, column.valid, lambda value: "true" if value else "false", absent)
    if issubclass(kind, IntEnum):
        return _texts(
            column.values, column.valid, lambda value: f"{quote}{kind(value).name.lower()}{quote}", absent
        )
    return _texts(column.values, column.valid, str, absent)


def age_texts(column: FieldColumn, absent: str) -> NDArray[np.object_]:
    """Return the ages of a column in s as texts, str[n]; `absent` where no value ever came."""
    return _texts(column.age_ns, column.age_ns >= 0, lambda age_ns: repr(age_ns / NS), absent)


def time_texts(clock_ns: NDArray[np.int64], zero_ns: int) -> list[str]:
    """Return session times in s as texts."""
    return list(map(repr, ((clock_ns - zero_ns) / NS).tolist()))


def _texts(
    values: NDArray[Any], valid: NDArray[np.bool_], text_of: Callable[[Any], str], absent: str
) -> NDArray[np.object_]:
    """Return the text of each value, made once for each that occurs: few signals have many values."""
    texts = np.full(len(values), absent, object)
    distinct, place = np.unique(values[valid], return_inverse=True)
    texts[valid] = np.array(list(map(text_of, distinct.tolist())), object)[place]
    return texts
