"""What an export tells beside the records: tables of findings, of changes, and of what the columns are.

Findings and changes are those of the JSON of an inspection, a column a key. What a cell cannot hold, a list
or an object, stands in it as JSON, and so do the values that a change is between, but for names.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

from canmap.base.errors import UsageError
from canmap.outputs.tables.table_columns import table_columns

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

FINDINGS, CHANGES, COLUMNS = "findings", "changes", "columns"
OUTCOMES = (FINDINGS, CHANGES, COLUMNS)


class OutcomeTable(NamedTuple):
    """A small table.

    Attributes:
        columns: What each column holds, by name: str, int, float or bool.
        rows: By column; None for nothing.
    """

    columns: Mapping[str, type]
    rows: Sequence[Mapping[str, Any]]


_FINDING: dict[str, type] = {
    "kind": str, "severity": str, "bus": str, "message": str, "signal": str, "record": str, "field": str,
    "start_s": float, "end_s": float, "start_at": str, "end_at": str, "open": bool, "count": int,
    "value": float, "limit": float, "text": str, "line": int, "beside": str, "facts": str,
    "parts": str,
}  # fmt: skip
_CHANGE: dict[str, type] = {
    "t_s": float, "at": str, "record": str, "field": str, "from": str, "to": str, "held_s": float,
}  # fmt: skip
_COLUMN: dict[str, type] = {"record": str, "column": str, "unit": str, "meaning": str}


def require_free(records: Collection[str]) -> None:
    """Check that no record is called like another table of a folder.

    Raises:
        UsageError: One is.
    """
    for name in OUTCOMES:
        if name in records:
            raise UsageError(
                f"The record {name} is called like the table of {name} of a folder; write it alone, with "
                f"--record {name}, or write .jsonl."
            )


def outcome_tables(result: Inspection, spec: Spec, records: Collection[str]) -> dict[str, OutcomeTable]:
    """Return the tables of a folder beside those of `records`, by name."""
    told = result.to_json()
    changes = [change for change in told[CHANGES] if change["record"] in records]
    columns = [
        {"record": rule.name, "column": column.name, "unit": column.unit, "meaning": column.meaning}
        for rule in spec.records
        if rule.name in records
        for column in table_columns(rule)
    ]
    return {
        FINDINGS: _table(_FINDING, told[FINDINGS]),
        CHANGES: _table(_CHANGE, changes),
        COLUMNS: _table(_COLUMN, columns),
    }


def _table(columns: Mapping[str, type], rows: Sequence[Mapping[str, Any]]) -> OutcomeTable:
    return OutcomeTable(
        columns, [{name: _cell(row.get(name), kind) for name, kind in columns.items()} for row in rows]
    )


def _cell(value: Any, kind: type) -> Any:
    if value is None:
        return None
    if kind is str:
        return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return kind(value)
