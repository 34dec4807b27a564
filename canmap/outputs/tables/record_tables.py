"""Records to tables, one for each kind: whatever the form, written in groups of a fixed number of records."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, NamedTuple, Protocol

from canmap.outputs.tables.outcome_tables import outcome_tables
from canmap.outputs.tables.row_groups import RowGroups, rows_of_a_group
from canmap.outputs.tables.table_columns import exported_fields

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from canmap.mapping.model import RecordRule
    from canmap.outputs.tables.outcome_tables import OutcomeTable
    from canmap.records.columns import RecordChunk
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import About, Step


class RecordTable(Protocol):
    """The table of one kind of records, in a form."""

    def put(self, group: RecordChunk) -> None:
        """Write a group of records."""

    def end(self) -> None:
        """Write what stands behind the last group."""


class TableKind(NamedTuple):
    """How a form writes tables.

    Attributes:
        records: Begins a table of records in an open file.
        outcome: Writes a small table to one.
    """

    records: Callable[[IO[bytes], RecordRule, About], RecordTable]
    outcome: Callable[[IO[bytes], OutcomeTable], None]


class RecordTables:
    """Writes a table for each kind of records, and those of findings, changes and columns as far as wanted.

    Args:
        kind: How tables are written.
        files: An open file for each table, by name.

    Attributes:
        rows: How many records of each kind were written.
    """

    def __init__(self, kind: TableKind, files: Mapping[str, IO[bytes]]) -> None:
        self._kind, self._files = kind, files
        self._about: About | None = None
        self._tables: dict[str, RecordTable] = {}
        self._groups: dict[str, RowGroups] = {}
        self._size = 0
        self.rows: dict[str, int] = {}

    def open(self, about: About) -> None:
        """Begin the tables of the records that will come."""
        self._about = about
        self.rows = dict.fromkeys(about.records, 0)
        rules = [rule for rule in about.spec.records if rule.name in self.rows]
        self._size = rows_of_a_group(sum(len(exported_fields(rule)) for rule in rules))
        self._tables = {rule.name: self._kind.records(self._files[rule.name], rule, about) for rule in rules}

    def write(self, step: Step) -> None:
        """Take the records of a step, and write the groups that are full."""
        for chunk in step.records:
            if chunk.name not in self._groups:
                self._groups[chunk.name] = RowGroups(self._size, chunk)
            for group in self._groups[chunk.name].add(chunk):
                self._tables[chunk.name].put(group)
            self.rows[chunk.name] += len(chunk)

    def close(self, *, whole: bool) -> None:
        """Write what waits, and end the tables; of a run that failed nothing is kept."""
        if not whole:
            return
        for name, table in self._tables.items():
            rest = self._groups[name].rest() if name in self._groups else None
            if rest is not None:
                table.put(rest)
            table.end()

    def conclude(self, result: Inspection) -> None:
        """Write the small tables that have a file."""
        if self._about is None or not self._files.keys() - self.rows.keys():
            return
        for name, table in outcome_tables(result, self._about.spec, self.rows).items():
            self._kind.outcome(self._files[name], table)
