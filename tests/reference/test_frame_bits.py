"""Bits of CAN frames against published lengths, bounds and worked bit streams, row by row.

can_frame_facts.md beside the tables says for each fact where it was read; the field lengths and totals are
those of Linux include/linux/can/length.h, the bounds those of Davis and others, Real-Time Systems 35 (2007).
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.chunks import FLAG_BIT_RATE_SWITCH, FLAG_FD
from canmap.simulator.columns import as_chunk
from canmap.simulator.frame import Frame
from canmap.simulator.frame_bits import (
    INTERMISSION,
    unstuffed_bits,
    wire_length,
    wire_lengths,
    worst_case_bits,
)
from canmap.simulator.network import BusConfig, Node, Release
from canmap.simulator.wire import CRC15, CRC17, CRC21, body, crc, wire_bits
from tests.buses import run

if TYPE_CHECKING:
    from pathlib import Path


def rows(shared: Path, name: str) -> list[dict[str, str]]:
    with (shared / "reference" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def classic(row: dict[str, str]) -> Frame:
    remote = row["rtr"] == "1"
    payload = b"" if remote else bytes.fromhex(row["data_hex"])
    return Frame(
        int(row["can_id_hex"], 16), payload, row["extended"] == "1", remote, int(row["dlc"]) if remote else 0
    )


def switching(row: dict[str, str]) -> Frame:
    flags = FLAG_FD | FLAG_BIT_RATE_SWITCH
    return Frame(
        int(row["can_id_hex"], 16), bytes.fromhex(row["data_hex"]), row["extended"] == "1", flags=flags
    )


def test_classic_frames_have_the_bits_of_the_worked_examples(shared: Path) -> None:
    table = rows(shared, "can_frame_exact_examples.csv")
    assert len(table) >= 20
    for row in table:
        frame = classic(row)
        bits = wire_length(frame).nominal
        assert crc(body(frame), *CRC15) == int(row["crc15_hex"], 16), row
        assert wire_bits(frame) == row["stuffed_bits_sof_to_crc"], row
        assert bits == int(row["frame_bits_no_ifs"]), row
        assert bits + INTERMISSION == int(row["frame_bits_with_ifs"])
        least = unstuffed_bits(len(frame.payload), extended=frame.extended)
        assert bits - least == int(row["stuff_bits"]), row
        worst = worst_case_bits(len(frame.payload), extended=frame.extended)
        assert worst + INTERMISSION == int(row["worst_bits_with_ifs"])


def test_columns_have_the_bits_of_the_worked_examples(shared: Path) -> None:
    table = rows(shared, "can_frame_exact_examples.csv")
    nominal, data = wire_lengths(as_chunk([classic(row) for row in table]))
    assert nominal.tolist() == [int(row["frame_bits_no_ifs"]) for row in table]
    assert not data.any()


def test_fd_frames_have_the_bits_of_the_worked_examples(shared: Path) -> None:
    table = rows(shared, "canfd_frame_exact_examples.csv")
    assert len(table) >= 9
    frames = [switching(row) for row in table]
    nominal, data = wire_lengths(as_chunk(frames))
    for row, frame, *columns in zip(table, frames, nominal.tolist(), data.tolist(), strict=True):
        length = wire_length(frame)
        assert list(length) == columns
        assert length.nominal + INTERMISSION == int(row["nominal_rate_bits"]), row
        assert length.data == int(row["data_rate_bits"]), row
        whole = wire_length(frame._replace(flags=FLAG_FD)).nominal
        least = unstuffed_bits(len(frame.payload), extended=frame.extended, fd=True)
        # The bit rate switch itself is sent at another level then; the stuff bits may differ by that.
        assert least + int(row["dynamic_stuff_bits"]) + INTERMISSION == int(row["total_bits_with_ifs"])
        assert length.nominal + length.data - least == int(row["dynamic_stuff_bits"])
        assert abs(whole - length.nominal - length.data) <= 1
        time_us = (length.nominal + INTERMISSION) * 2 + length.data / 2
        assert time_us == float(row["time_us_500k_2M"])


def test_fd_frames_take_the_time_of_the_worked_examples(shared: Path) -> None:
    for rates, column in (
        ((500_000, 2_000_000), "time_us_500k_2M"),
        ((1_000_000, 1_000_000), "time_us_1M_1M"),
    ):
        config = BusConfig("drive", rates[0], (Node("a"),), data_bit_rate=rates[1])
        for row in rows(shared, "canfd_frame_exact_examples.csv"):
            [sent] = run(config, [Release(5, 0, switching(row))])[0]
            assert (sent.t_ns - 5 + INTERMISSION * config.bit_ns) / 1000 == float(row[column]), row


def test_bounds_of_classic_frames(shared: Path) -> None:
    table = rows(shared, "can_frame_bits.csv")
    assert len(table) == 18
    for row in table:
        length, extended = int(row["data_bytes"]), row["id_bits"] == "29"
        assert unstuffed_bits(length, extended=extended) == int(row["nominal_bits_no_ifs"])
        assert worst_case_bits(length, extended=extended) == int(row["worst_bits_no_ifs"])
        assert worst_case_bits(length, extended=extended) + INTERMISSION == int(row["worst_bits_with_ifs"])


def test_bounds_of_fd_frames(shared: Path) -> None:
    table = rows(shared, "canfd_frame_bits.csv")
    assert len(table) == 32
    for row in table:
        length, extended = int(row["data_bytes"]), row["id_bits"] == "29"
        least = unstuffed_bits(length, extended=extended, fd=True) + INTERMISSION
        worst = worst_case_bits(length, extended=extended, fd=True) + INTERMISSION
        assert least == int(row["total_bits_no_dynamic_stuff_with_ifs"])
        assert worst == int(row["total_bits_worst_with_ifs"])


@pytest.mark.parametrize("name", ["CRC-15/CAN", "CRC-17/CAN-FD", "CRC-21/CAN-FD"])
def test_check_sums_against_the_published_catalogue(shared: Path, name: str) -> None:
    # The last line of the file has the check value of the digits 1 to 9; start value 0, not reflected.
    with (shared / "reference" / "crc_check_values.csv").open(encoding="utf-8") as file:
        fields = next(line.split(",") for line in file if line.startswith(name))
    width, polynomial = {"CRC-15/CAN": CRC15, "CRC-17/CAN-FD": CRC17, "CRC-21/CAN-FD": CRC21}[name]
    digits = "".join(f"{byte:08b}" for byte in b"123456789")
    assert (width, polynomial) == (int(fields[2]), int(fields[3], 16))
    assert crc(digits, width, polynomial) == int(fields[8], 16)


def test_every_short_frame_together() -> None:
    """Sums and extremes over all frames of 0 and 1 byte: can_frame_facts.md, 'Exhaustive facts'."""
    without_data = wire_lengths(as_chunk([Frame(can_id) for can_id in range(2048)]))[0] - unstuffed_bits(0)
    assert (without_data.min(), without_data.max(), without_data.sum()) == (1, 6, 4032)
    assert np.flatnonzero(without_data == 6).tolist() == [0]
    frames = [Frame(can_id, bytes([byte])) for can_id in range(2048) for byte in range(256)]
    with_one = wire_lengths(as_chunk(frames))[0] - unstuffed_bits(1)
    assert (with_one.min(), with_one.max(), (with_one == 7).sum()) == (1, 7, 32)
