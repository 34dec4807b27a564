"""Published check values that travel with the project: tables in tests/data/published, with their sources."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import NamedTuple


class TroubleCodeMessage(NamedTuple):
    """A DM1 message: its sender, its codes (SPN, FMI, how often), its frames (identifier, payload)."""

    address: int
    codes: list[tuple[int, int, int]]
    frames: list[tuple[int, bytes]]


PUBLISHED = Path(__file__).parent / "data" / "published"


def table(name: str) -> list[dict[str, str]]:
    """The rows of one table, each a mapping from the heads of the columns to what stands there."""
    with (PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows, f"the table {name} has no rows"
    return rows


def trouble_codes() -> list[TroubleCodeMessage]:
    """The DM1 messages of `j1939_trouble_codes`."""
    text = (PUBLISHED / "j1939_trouble_codes.json").read_text(encoding="utf-8")
    return [
        TroubleCodeMessage(
            one["address"],
            [(code["spn"], code["fmi"], code["count"]) for code in one["codes"]],
            [(int(frame["can_id_hex"], 16), bytes.fromhex(frame["data_hex"])) for frame in one["frames"]],
        )
        for one in json.loads(text)
    ]


def socketcan_text() -> bytes:
    """The lines of the table `socketcan_text` as the capture that they make."""
    return "".join(row["line"] + "\n" for row in table("socketcan_text")).encode()
