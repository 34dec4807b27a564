"""Bits of CAN frames against published lengths, bounds and worked bit streams, row by row.

The field lengths and totals are those of Linux include/linux/can/length.h, the bounds those of Davis and
others, Real-Time Systems 35 (2007); tests/data/published/README.md says how the examples were obtained.
"""

from __future__ import annotations

import numpy as np
import pytest

from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_FD
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.frame_bits import (
    INTERMISSION,
    unstuffed_bits,
    wire_length,
    wire_lengths,
    worst_case_bits,
)
from canmap.simulator.buses.network import BusConfig, Node, Release
from canmap.simulator.buses.traffic import as_chunk
from canmap.simulator.buses.wire import CRC15, CRC17, CRC21, body, crc, wire_bits
from tests.buses import run
from tests.published import table


def classic(row: dict[str, str]) -> Frame:
    remote = row["remote"] == "1"
    payload = b"" if remote else bytes.fromhex(row["data_hex"])
    return Frame(
        int(row["can_id_hex"], 16), payload, row["extended"] == "1", remote, int(row["dlc"]) if remote else 0
    )


def switching(row: dict[str, str]) -> Frame:
    flags = FLAG_FD | FLAG_BIT_RATE_SWITCH
    return Frame(
        int(row["can_id_hex"], 16), bytes.fromhex(row["data_hex"]), row["extended"] == "1", flags=flags
    )


def test_classic_frames_have_the_bits_of_the_worked_examples() -> None:
    rows = table("classic_frames")
    assert len(rows) >= 20
    for row in rows:
        frame = classic(row)
        bits = wire_length(frame).nominal
        assert crc(body(frame), *CRC15) == int(row["crc15_hex"], 16), row
        assert wire_bits(frame) == row["wire_bits_to_crc"], row
        assert bits == int(row["bits"]), row
        assert bits + INTERMISSION == int(row["bits_with_intermission"])
        least = unstuffed_bits(len(frame.payload), extended=frame.extended)
        assert bits - least == int(row["stuff_bits"]), row
        worst = worst_case_bits(len(frame.payload), extended=frame.extended)
        assert worst + INTERMISSION == int(row["bits_worst_with_intermission"])


def test_columns_have_the_bits_of_the_worked_examples() -> None:
    rows = table("classic_frames")
    nominal, data = wire_lengths(as_chunk([classic(row) for row in rows]))
    assert nominal.tolist() == [int(row["bits"]) for row in rows]
    assert not data.any()


def test_fd_frames_have_the_bits_of_the_worked_examples() -> None:
    rows = table("fd_frames")
    assert len(rows) >= 9
    frames = [switching(row) for row in rows]
    nominal, data = wire_lengths(as_chunk(frames))
    for row, frame, *columns in zip(rows, frames, nominal.tolist(), data.tolist(), strict=True):
        length = wire_length(frame)
        assert list(length) == columns
        assert length.nominal + INTERMISSION == int(row["bits_at_nominal_rate_with_intermission"]), row
        assert length.data == int(row["bits_at_data_rate"]), row
        whole = wire_length(frame._replace(flags=FLAG_FD)).nominal
        least = unstuffed_bits(len(frame.payload), extended=frame.extended, fd=True)
        # The bit rate switch itself is sent at another level then; the stuff bits may differ by that.
        assert least + int(row["stuff_bits"]) + INTERMISSION == int(row["bits_with_intermission"])
        assert length.nominal + length.data - least == int(row["stuff_bits"])
        assert abs(whole - length.nominal - length.data) <= 1
        time_us = (length.nominal + INTERMISSION) * 2 + length.data / 2
        assert time_us == float(row["time_us_500k_2M"])


def test_fd_frames_take_the_time_of_the_worked_examples() -> None:
    for rates, column in (
        ((500_000, 2_000_000), "time_us_500k_2M"),
        ((1_000_000, 1_000_000), "time_us_1M_1M"),
    ):
        config = BusConfig("drive", rates[0], (Node("a"),), data_bit_rate=rates[1])
        for row in table("fd_frames"):
            [sent] = run(config, [Release(5, 0, switching(row))])[0]
            assert (sent.t_ns - 5 + INTERMISSION * config.bit_ns) / 1000 == float(row[column]), row


def test_bounds_of_classic_frames() -> None:
    rows = table("classic_bounds")
    assert len(rows) == 18
    for row in rows:
        length, extended = int(row["data_bytes"]), row["id_bits"] == "29"
        assert unstuffed_bits(length, extended=extended) == int(row["bits_unstuffed"])
        assert worst_case_bits(length, extended=extended) == int(row["bits_worst"])
        assert worst_case_bits(length, extended=extended) + INTERMISSION == int(
            row["bits_worst_with_intermission"]
        )


def test_bounds_of_fd_frames() -> None:
    rows = table("fd_bounds")
    assert len(rows) == 32
    for row in rows:
        length, extended = int(row["data_bytes"]), row["id_bits"] == "29"
        least = unstuffed_bits(length, extended=extended, fd=True) + INTERMISSION
        worst = worst_case_bits(length, extended=extended, fd=True) + INTERMISSION
        assert least == int(row["bits_unstuffed_with_intermission"])
        assert worst == int(row["bits_worst_with_intermission"])


@pytest.mark.parametrize("name", ["CRC-15/CAN", "CRC-17/CAN-FD", "CRC-21/CAN-FD"])
def test_check_sums_against_the_published_catalogue(name: str) -> None:
    # The check value of the digits 1 to 9; start value 0, not reflected.
    (row,) = (row for row in table("checksums") if row["name"] == name)
    width, polynomial = {"CRC-15/CAN": CRC15, "CRC-17/CAN-FD": CRC17, "CRC-21/CAN-FD": CRC21}[name]
    digits = "".join(f"{byte:08b}" for byte in b"123456789")
    assert (width, polynomial) == (int(row["bits"]), int(row["polynomial_hex"], 16))
    assert crc(digits, width, polynomial) == int(row["checksum_of_123456789_hex"], 16)


def test_every_short_frame_together() -> None:
    """Sums and extremes over all frames of 0 and 1 byte, from the script that made the tables."""
    without_data = wire_lengths(as_chunk([Frame(can_id) for can_id in range(2048)]))[0] - unstuffed_bits(0)
    assert (without_data.min(), without_data.max(), without_data.sum()) == (1, 6, 4032)
    assert np.flatnonzero(without_data == 6).tolist() == [0]
    frames = [Frame(can_id, bytes([byte])) for can_id in range(2048) for byte in range(256)]
    with_one = wire_lengths(as_chunk(frames))[0] - unstuffed_bits(1)
    assert (with_one.min(), with_one.max(), (with_one == 7).sum()) == (1, 7, 32)
