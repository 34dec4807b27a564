"""Tables as Parquet, a row group for each group of records; units and meanings stand in the file's metadata.

They are under the key `canmap.columns`, as a JSON object of {"unit", "meaning"} by column.
"""

from __future__ import annotations

import json
from enum import IntEnum
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from canmap.base.extras import pyarrow
from canmap.outputs.tables.arrow_arrays import numbers, texts
from canmap.outputs.tables.table_columns import AGE, OUT_OF_RANGE, exported_fields, no_records, table_columns

if TYPE_CHECKING:
    from canmap.mapping.model import RecordRule
    from canmap.outputs.tables.outcome_tables import OutcomeTable
    from canmap.records.columns import FieldColumn, RecordChunk
    from canmap.stream.sink import About
    from canmap.vocabulary.record_types import FieldType

COLUMNS_KEY = "canmap.columns"
NS = 1e9


class ParquetTable:
    """A table of records as Parquet.

    Args:
        file: Where it goes.
        rule: The records.
        about: The run.
    """

    def __init__(self, file: IO[bytes], rule: RecordRule, about: About) -> None:
        self._arrow = pyarrow()
        self._file, self._zero_ns = file, about.zero_ns
        self._fields = exported_fields(rule)
        told = {one.name: {"unit": one.unit, "meaning": one.meaning} for one in table_columns(rule)}
        self._metadata = {COLUMNS_KEY: json.dumps(told, ensure_ascii=False)}
        self._nothing = no_records(rule)
        self._writer: Any = None

    def put(self, group: RecordChunk) -> None:
        """Write a row group."""
        batch = self._batch(group)
        self._begin(batch)
        self._writer.write_batch(batch)

    def end(self) -> None:
        """Write the end of the file."""
        self._begin(self._batch(self._nothing))
        self._writer.close()

    def _begin(self, batch: Any) -> None:
        if self._writer is None:
            self._writer = _writer(self._arrow, self._file, batch.schema)

    def _batch(self, group: RecordChunk) -> Any:
        arrow = self._arrow
        always = np.ones(len(group), np.bool_)
        arrays = {
            "t_s": numbers(arrow, (group.clock_ns - self._zero_ns) / NS, always),
            "stamp_ns": numbers(arrow, group.stamp_ns, always),
        }
        for name, column in group.columns.items():
            arrays[name] = _values(arrow, column, self._fields[name])
            arrays[name + AGE] = numbers(arrow, column.age_ns / NS, column.age_ns >= 0)
            arrays[name + OUT_OF_RANGE] = numbers(arrow, column.flagged, always)
        return arrow.record_batch(arrays, metadata=self._metadata)


def write_parquet_outcome(file: IO[bytes], table: OutcomeTable) -> None:
    """Write a small table."""
    arrow = pyarrow()
    arrays = {
        name: _cells(arrow, [row[name] for row in table.rows], kind) for name, kind in table.columns.items()
    }
    batch = arrow.record_batch(arrays)
    with _writer(arrow, file, batch.schema) as writer:
        writer.write_batch(batch)


def _writer(arrow: Any, file: IO[bytes], schema: Any) -> Any:
    class Writer(arrow.parquet.ParquetWriter):  # type: ignore[misc]
        def __del__(self) -> None:
            """Let go of a file that is not ended: the run failed, and the library would complain of it."""

    # A dictionary of values that are all different would be tried in vain.
    dictionaries = [name for name in schema.names if name not in ("t_s", "stamp_ns")]
    return Writer(file, schema, compression="lz4", use_dictionary=dictionaries)


def _values(arrow: Any, column: FieldColumn, field: FieldType) -> Any:
    if field.kind is float:
        return numbers(arrow, column.values + 0.0, column.valid)
    if field.kind is bool:
        return numbers(arrow, column.values.astype(np.bool_), column.valid)
    if not issubclass(field.kind, IntEnum):
        return numbers(arrow, column.values, column.valid)
    states = {state.value: state.name.lower() for state in field.kind}
    codes = np.array(list(states))
    order = np.argsort(codes)
    place = order[np.searchsorted(codes, np.where(column.valid, column.values, codes[0]), sorter=order)]
    names = texts(arrow, list(states.values()))
    return arrow.DictionaryArray.from_arrays(numbers(arrow, place.astype(np.int8), column.valid), names)


def _cells(arrow: Any, cells: list[Any], kind: type) -> Any:
    if kind is str:
        return texts(arrow, cells)
    valid = np.array([cell is not None for cell in cells], np.bool_)
    values = [kind(0) if cell is None else cell for cell in cells]
    return numbers(arrow, np.array(values, {int: np.int64, float: np.float64, bool: np.bool_}[kind]), valid)
