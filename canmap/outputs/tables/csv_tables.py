"""Tables as CSV: a header, a comma between cells, nothing where there is no value."""

from __future__ import annotations

import csv
import io
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from canmap.outputs.tables.cell_texts import age_texts, time_texts, value_texts
from canmap.outputs.tables.table_columns import exported_fields, table_columns

if TYPE_CHECKING:
    from canmap.mapping.model import RecordRule
    from canmap.outputs.tables.outcome_tables import OutcomeTable
    from canmap.records.columns import RecordChunk
    from canmap.stream.sink import About

_TRUTH = np.array(["false", "true"], object)


class CsvTable:
    """A table of records as CSV, group by group.

    Args:
        file: Where it goes.
        rule: The records.
        about: The run.
    """

    def __init__(self, file: IO[bytes], rule: RecordRule, about: About) -> None:
        self._file, self._zero_ns = file, about.zero_ns
        self._fields = exported_fields(rule)
        self._file.write((",".join(column.name for column in table_columns(rule)) + "\n").encode())

    def put(self, group: RecordChunk) -> None:
        """Write some records."""
        columns = [time_texts(group.clock_ns, self._zero_ns), list(map(str, group.stamp_ns.tolist()))]
        for name, column in group.columns.items():
            texts = value_texts(column, self._fields[name], ""), age_texts(column, "")
            columns += [part.tolist() for part in (*texts, _TRUTH[column.flagged.view(np.uint8)])]
        lines = map(",".join, zip(*columns, strict=True))
        self._file.write(("\n".join(lines) + "\n").encode())

    def end(self) -> None:
        """All is written."""


def write_csv_outcome(file: IO[bytes], table: OutcomeTable) -> None:
    """Write a small table."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows([[_text(row[name]) for name in table.columns] for row in table.rows])
    file.write(text.getvalue().encode("utf-8", "backslashreplace"))


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else str(value)
