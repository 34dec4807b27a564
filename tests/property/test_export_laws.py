"""Exports: the same bytes under any cutting; what was kept and nothing else; numbers read back the same."""

from __future__ import annotations

import io
import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np
import polars
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.engine.engine import Engine
from canmap.outputs.destination import destination
from canmap.outputs.tables import record_tables
from canmap.outputs.tables.cell_texts import value_texts
from canmap.records.columns import FieldColumn
from canmap.results.inspection import conclude
from canmap.stream.delivery import Delivery
from canmap.vocabulary.record_types import Drive, field_types
from tests.eventful import eventful, modal
from tests.exports import csv_table, json_lines, line_tables, table_of
from tests.streams import CART, TRUCK, VEHICLE, cuts, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.results.inspection import Inspection

FORMS = {"lines": "all.jsonl", "csv": "all.csv/", "parquet": "all.parquet/"}
FEW = 5  # rows of a group


@contextmanager
def small_groups() -> Iterator[None]:
    """Groups of so few records that even short streams fill some."""
    real = record_tables.rows_of_a_group
    record_tables.rows_of_a_group = lambda _fields: FEW
    try:
        yield
    finally:
        record_tables.rows_of_a_group = real


def exported(
    chunks: Iterable[FrameChunk], path: Path, into: str, records: list[str] | None = None
) -> tuple[dict[str, bytes], Inspection]:
    """The bytes of every file of an export, by table, and the inspection that keeps all its records."""
    engine = Engine(spec_of(path))
    names = records or [rule.name for rule in engine.spec.records]
    place = destination(into, None, names)
    files = {name: io.BytesIO() for name in place.files}
    sink = place.form.sink(files)
    kept: dict[str, list] = {name: [] for name in names}
    with Delivery((sink,), frozenset(names)).begin(engine.spec, engine.session) as delivering:
        for prepared in engine.prepared(chunks):
            step = engine.fold(prepared)
            for one in step.records:
                kept.get(one.name, []).append(one)
            delivering.write(step)
        delivering.write(engine.finish())
        delivering.open()
    result = conclude(engine, ("test",), kept)
    sink.conclude(result)
    assert sink.rows == {name: len(result.records[name]) for name in names}
    return {name: file.getvalue() for name, file in files.items()}, result


@settings(max_examples=15)
@given(st.data())
def test_the_bytes_are_the_same_under_any_cutting(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    into = data.draw(st.sampled_from(list(FORMS.values())))
    whole = data.draw(streams(path))
    with small_groups():
        once, _ = exported([whole], path, into)
        cut, _ = exported(whole.split(data.draw(cuts(whole))), path, into)
    assert cut == once


def test_the_bytes_of_a_drive_with_many_faults_are_the_same() -> None:
    for whole, path in ((eventful(), CART), (modal(), VEHICLE)):
        for into in FORMS.values():
            once, result = exported([whole], path, into)
            assert result.findings
            assert sum(map(len, result.records.values())) > 100
            cut, _ = exported(whole.split(range(0, len(whole), 37)), path, into)
            assert cut == once


@settings(max_examples=15)
@given(st.data())
def test_whatever_comes_the_tables_hold_what_is_kept_and_nothing_where_no_value_is_valid(
    data: st.DataObject,
) -> None:
    """Dead, absent and unavailable signals, short payloads, codes without a meaning: the streams hold all."""
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    with small_groups():
        lines, result = exported([whole], path, FORMS["lines"])
        cells, _ = exported([whole], path, FORMS["csv"])
        columns, _ = exported([whole], path, FORMS["parquet"])
    expected = {name: table_of(records) for name, records in result.records.items()}
    told = json_lines(lines[""])
    for name, table in line_tables(told, expected).items():
        assert table == (expected[name] if expected[name]["t_s"] else {}), name
    for name, records in result.records.items():
        assert csv_table(cells[name], records) == expected[name], name
        read = polars.read_parquet(columns[name]).to_dict(as_series=False)
        assert read == expected[name], name
    inspection = json.loads(json.dumps(result.to_json()))
    assert [line["finding"] for line in told if "finding" in line] == inspection["findings"]
    assert [line["change"] for line in told if "change" in line] == inspection["changes"]


def test_some_values_are_not_valid_and_some_out_of_range_in_what_is_compared() -> None:
    tables = [table_of(records) for records in exported([eventful()], CART, "a.jsonl")[1].records.values()]
    cells = [(name, cell) for table in tables for name, column in table.items() for cell in column]
    assert any(cell is None for name, cell in cells if not name.endswith("_age_s"))
    assert any(cell is None for name, cell in cells if name.endswith("_age_s"))
    assert any(cell for name, cell in cells if name.endswith("_out_of_range"))
    assert any(cell for name, cell in cells if name.endswith("_age_s"))


@given(st.lists(st.tuples(st.floats(allow_nan=True), st.booleans()), min_size=1))
def test_a_number_reads_back_as_the_same_and_none_as_nothing(given_values: list[tuple[float, bool]]) -> None:
    values = np.array([value for value, _ in given_values])
    valid = np.array([valid for _, valid in given_values])
    column = FieldColumn(values, valid, np.zeros(len(values), np.int64), np.zeros(len(values), np.bool_))
    texts = value_texts(column, field_types(Drive)["speed"], "").tolist()
    for text, value, there in zip(texts, values.tolist(), valid.tolist(), strict=True):
        if there and np.isfinite(value):
            assert float(text) == value
            assert len(text) <= 24
            assert not text.startswith("-0.0") or value
        else:
            assert text == ""
