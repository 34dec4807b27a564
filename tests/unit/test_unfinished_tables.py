"""A table whose run fails after its first rows is let go without a word: its file is taken away anyway."""

from __future__ import annotations

import gc
import sys
from typing import TYPE_CHECKING, Any

from canmap.outputs.tables.parquet_tables import ParquetTable
from canmap.outputs.tables.table_columns import no_records
from canmap.stream.sink import About
from tests.streams import CART, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_a_parquet_table_without_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", said.append)
    spec = spec_of(CART)
    with (tmp_path / "a.parquet").open("wb") as file:
        table = ParquetTable(file, spec.records[0], About(spec, ("steering",), 0, 0))
        table.put(no_records(spec.records[0]))
    del table
    gc.collect()
    assert said == []
