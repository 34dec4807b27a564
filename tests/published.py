"""Published check values that travel with the project: tables in tests/data/published, with their sources."""

from __future__ import annotations

import csv
from pathlib import Path

PUBLISHED = Path(__file__).parent / "data" / "published"


def table(name: str) -> list[dict[str, str]]:
    """The rows of one table, each a mapping from the heads of the columns to what stands there."""
    with (PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows, f"the table {name} has no rows"
    return rows


def socketcan_text() -> bytes:
    """The lines of the table `socketcan_text` as the capture that they make."""
    return "".join(row["line"] + "\n" for row in table("socketcan_text")).encode()
