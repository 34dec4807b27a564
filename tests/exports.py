"""What an export is to hold, worked out from kept records alone, and what its files hold."""

from __future__ import annotations

import csv
import io
import json
from enum import IntEnum
from typing import TYPE_CHECKING, Any

from canmap.vocabulary.record_types import field_types

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.records.columns import Records

Columns = dict[str, list[Any]]


def table_of(records: Records) -> Columns:
    """The table of some records, by column; None where a field is not valid, or never had a value."""
    columns: Columns = {"t_s": records.t_s.tolist(), "stamp_ns": records.stamp_ns.tolist()}
    for name, column in records.columns.items():
        kind = field_types(records.type)[name].kind
        columns[name] = [
            _plain(kind(value)) if valid else None
            for value, valid in zip(column.values.tolist(), column.valid.tolist(), strict=True)
        ]
        columns[f"{name}_age_s"] = [age / 1e9 if age >= 0 else None for age in column.age_ns.tolist()]
        columns[f"{name}_out_of_range"] = column.flagged.tolist()
    return columns


def _plain(value: Any) -> Any:
    return value.name.lower() if isinstance(value, IntEnum) else value


def csv_table(data: bytes, records: Records) -> Columns:
    """The table that a CSV of records holds, its cells taken as what the columns are."""
    rows = list(csv.reader(io.StringIO(data.decode())))
    columns = dict(zip(rows[0], map(list, zip(*rows[1:], strict=True)), strict=True)) if rows[1:] else {}
    return {name: [_of_text(cell, name, records) for cell in columns.get(name, [])] for name in rows[0]}


def _of_text(cell: str, name: str, records: Records) -> Any:
    if not cell:
        return None
    if name == "stamp_ns":
        return int(cell)
    if name.endswith("_out_of_range"):
        return {"true": True, "false": False}[cell]
    if name in ("t_s",) or name.endswith("_age_s"):
        return float(cell)
    kind = field_types(records.type)[name].kind
    if kind is bool:
        return {"true": True, "false": False}[cell]
    return kind(cell) if kind in (float, int) else cell


def line_tables(lines: Iterable[dict[str, Any]], names: Iterable[str]) -> dict[str, Columns]:
    """The tables of records that lines of JSON hold, by name."""
    tables: dict[str, Columns] = {name: {} for name in names}
    for line in lines:
        if "record" not in line:
            continue
        row, table = dict(line), tables[line["record"]]
        ages, flags = row.pop("age_s", {}), row.pop("out_of_range", [])
        del row["record"]
        for name, value in row.items():
            table.setdefault(name, []).append(value)
            if name not in ("t_s", "stamp_ns"):
                table.setdefault(f"{name}_age_s", []).append(ages.get(name, 0.0))
                table.setdefault(f"{name}_out_of_range", []).append(name in flags)
    return tables


def json_lines(data: bytes) -> list[dict[str, Any]]:
    """The lines of a file."""
    return [json.loads(line) for line in data.splitlines()]
