"""Cyclic redundancy checks against their published check values."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.payload.checksums import Crc

if TYPE_CHECKING:
    from pathlib import Path


def rows(shared: Path, name: str) -> list[dict[str, str]]:
    with (shared / "reference" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def crc_of(row: dict[str, str]) -> Crc:
    assert row["reflect_in"] == row["reflect_out"]
    hexadecimal = (int(row[f"{name}_hex"], 16) for name in ("poly", "init", "xorout"))
    polynomial, initial, final_xor = hexadecimal
    return Crc(int(row["width"]), polynomial, initial, row["reflect_in"] == "1", final_xor)


def test_check_values_are_as_published(shared: Path) -> None:
    """The check value of "123456789" is what catalogues of CRCs publish of each."""
    table = [row for row in rows(shared, "crc_check_values.csv") if int(row["width"]) % 8 == 0]
    assert len(table) >= 8
    for row in table:
        assert crc_of(row).of_bytes(b"123456789") == int(row["check_123456789_hex"], 16), row["name"]


def test_patterns_are_as_published(shared: Path) -> None:
    """Test patterns of the AUTOSAR CRC library specification, all at once where they are of one length."""
    crcs = {row["crccheck_class"]: crc_of(row) for row in rows(shared, "crc_check_values.csv")}
    table = [row for row in rows(shared, "crc_autosar_patterns.csv") if row["crccheck_class"] in crcs]
    assert len(table) >= 40
    for row in table:
        crc = crcs[row["crccheck_class"]]
        assert crc.of_bytes(bytes.fromhex(row["input_hex"])) == int(row["crc_hex"], 16), row


@pytest.mark.parametrize("crc", [Crc(16, 0x1021, 0xFFFF), Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)])
def test_columns_give_what_single_runs_give(crc: Crc) -> None:
    payload = np.random.default_rng(1).integers(0, 256, (50, 8), np.uint8)
    one_by_one = [crc.of_bytes(bytes([7]) + row.tobytes()) for row in payload]
    assert crc.of([7, *payload.T], len(payload)).tolist() == one_by_one
