"""What an export calls things: no two by one name; where it goes, by the name that it is given."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import UsageError
from canmap.outputs.destination import destination
from canmap.outputs.tables.json_lines import JsonLines
from canmap.outputs.tables.row_groups import FEWEST_ROWS, MOST_ROWS, rows_of_a_group
from canmap.outputs.tables.table_columns import no_records, table_columns
from canmap.stream.sink import About
from tests.kits import TICK, spec_of
from tests.streams import CART
from tests.streams import spec_of as loaded

if TYPE_CHECKING:
    from pathlib import Path

TYPES = """
record_types:
  Odd:
    fields:
      speed: {unit: m/s}
      %s: {unit: "1"}
records:
  odd: {type: Odd, stamp: Tick, speed: {signal: Tick.Value, unit: m/s}, %s: {signal: Tick.Value, unit: "1"}}
"""


@pytest.mark.parametrize("name", ["speed_age_s"])  # `speed_out_of_range` is refused by the spec
def test_a_field_that_is_called_like_a_column_of_another_is_refused(tmp_path: Path, name: str) -> None:
    (rule,) = spec_of(tmp_path, TICK, TYPES % (name, name)).records
    with pytest.raises(
        UsageError, match=f"The record odd has a field {name}, a name that an export gives to"
    ):
        table_columns(rule)


@pytest.mark.parametrize("name", ["record", "age_s", "out_of_range"])
def test_a_field_that_is_called_like_a_key_of_a_line_is_refused(tmp_path: Path, name: str) -> None:
    spec = spec_of(tmp_path, TICK, TYPES % (name, name))
    with (tmp_path / "a.jsonl").open("wb") as file, pytest.raises(UsageError, match=f"has a field {name}, "):
        JsonLines({"": file}).open(About(spec, ("odd",), 0, 0))


def test_the_columns_of_no_records_are_those_of_the_engine(tmp_path: Path) -> None:
    from canmap.engine.engine import Engine

    engine = Engine(loaded(CART))
    for rule in engine.spec.records:
        empty = engine.empty_records(rule.name)
        assert {name: column.values.dtype for name, column in no_records(rule).columns.items()} == {
            name: column.values.dtype for name, column in empty.columns.items()
        }
        assert len(table_columns(rule)) == 2 + 3 * len(empty.columns)


@pytest.mark.parametrize(
    ("into", "form", "ending", "files"),
    [
        ("a.JSONL", None, ".jsonl", {"": "a.JSONL"}),
        ("-", None, ".jsonl", {"": "-"}),
        ("/dev/null", "jsonl", ".jsonl", {"": "/dev/null"}),
        ("drive", None, ".parquet", {"steering": "drive/steering.parquet"}),
        ("drive/", "csv", ".csv", {"steering": "drive/steering.csv"}),
        ("drive.csv/", None, ".csv", {"steering": "drive.csv/steering.csv"}),
        ("{there}", "csv", ".csv", {"steering": "{there}/steering.csv"}),
        ("s.parquet", "parquet", ".parquet", {"steering": "s.parquet"}),
    ],
)
def test_where_it_goes(
    tmp_path: Path, into: str, form: str | None, ending: str, files: dict[str, str]
) -> None:
    there = tmp_path / "there.parquet"  # a folder whatever it is called
    there.mkdir()
    if "{there}" in into:
        there = there.rename(tmp_path / "there")
    place = destination(into.format(there=there), form, ["steering"])
    assert place.form.ending == ending
    named = {
        name: path for name, path in place.files.items() if name not in ("findings", "changes", "columns")
    }
    assert named == {name: path.format(there=there) for name, path in files.items()}
    assert bool(place.folder) == (len(place.files) == 4)


@pytest.mark.parametrize(("into", "folder"), [("day/x.csv", "x.csv/"), ("-", "tables.csv/")])
def test_more_than_a_table_holds_goes_where_the_complaint_says(into: str, folder: str) -> None:
    """A folder that every command takes, whatever its options."""
    with pytest.raises(UsageError, match=f"or write all into a folder: --into {folder}.$"):
        destination(into, "csv", ["steering", "drive"])
    assert destination(folder, None, ["steering", "drive"]).form.ending == ".csv"


def test_a_record_called_like_another_table_of_a_folder_is_refused_there_only() -> None:
    for name in ("findings", "changes", "columns"):
        with pytest.raises(UsageError, match=f"The record {name} is called like the table of {name}"):
            destination("folder/", "csv", ["steering", name])
        assert destination("a.csv", None, [name]).files == {name: "a.csv"}


def test_groups_are_smaller_where_there_are_many_fields() -> None:
    assert rows_of_a_group(0) == rows_of_a_group(100) == MOST_ROWS
    assert FEWEST_ROWS < rows_of_a_group(1000) < MOST_ROWS
    assert rows_of_a_group(100_000) == FEWEST_ROWS
