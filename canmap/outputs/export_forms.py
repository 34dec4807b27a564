"""What an export can be, by the ending of its name: each form, and the sink that writes it."""

from __future__ import annotations

from functools import partial
from typing import IO, TYPE_CHECKING, Protocol

from canmap.base.dataclass import dataclass
from canmap.base.errors import ArgumentError
from canmap.outputs.bags.bag_names import BAG, is_bag
from canmap.outputs.tables.csv_tables import CsvTable, write_csv_outcome
from canmap.outputs.tables.json_lines import JsonLines
from canmap.outputs.tables.parquet_tables import ParquetTable, write_parquet_outcome
from canmap.outputs.tables.record_tables import RecordTables, TableKind
from canmap.stream.sink import Sink

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from canmap.results.inspection import Inspection


class ExportSink(Sink, Protocol):
    """A sink that also writes what is known at the end only.

    Attributes:
        rows: How many records of each kind, or messages of each topic, it has written.
    """

    rows: dict[str, int]

    def conclude(self, result: Inspection) -> None:
        """Write findings and changes, after the run came to its end; the files are still open."""


@dataclass(frozen=True, slots=True)
class ExportForm:
    """A form of export.

    Attributes:
        ending: Of its files.
        sink: Makes the sink that writes open files, by the name of the table that goes into each; the name
            is "" for a file that holds everything. None for a bag, whose part stays behind when it is not
            whole (`outputs/bags`).
        holds_all: One file holds all records; else one file holds one, and a folder all.
        streams: It may be read while it is written, so that it can go to standard output.
    """

    ending: str
    sink: Callable[[Mapping[str, IO[bytes]]], ExportSink] | None
    holds_all: bool
    streams: bool

    @property
    def is_bag(self) -> bool:
        """Whether messages of topics are written, and no records."""
        return is_bag(self.ending)

    def table_sink(self, files: Mapping[str, IO[bytes]]) -> ExportSink:
        """Return the sink that writes open files, by the name of the table that goes into each.

        Raises:
            ArgumentError: It is a bag.
        """
        if self.sink is None:
            raise ArgumentError("files", f"{self.ending} holds no tables; write it with its own sink.")
        return self.sink(files)


# A new form is a sink and a line here.
FORMS = {
    form.ending: form
    for form in (
        ExportForm(".jsonl", JsonLines, holds_all=True, streams=True),
        ExportForm(
            ".csv",
            partial(RecordTables, TableKind(CsvTable, write_csv_outcome)),
            holds_all=False,
            streams=True,
        ),
        ExportForm(
            ".parquet",
            partial(RecordTables, TableKind(ParquetTable, write_parquet_outcome)),
            holds_all=False,
            streams=False,
        ),
        ExportForm(BAG, None, holds_all=True, streams=False),
    )
}
