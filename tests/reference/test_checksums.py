"""Cyclic redundancy checks against their published check values, and crccheck on anything."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck.crc import Crc
from hypothesis import given
from hypothesis import strategies as st

from canmap.payload.checksums import crc_of
from canmap.vocabulary.checksum_profiles import CRCS, CrcParameters
from tests.published import table


def test_every_crc_of_the_list_is_as_its_catalogue_has_it() -> None:
    rows = {row["name"]: row for row in table("checksums")}
    assert rows.keys() == CRCS.keys()
    for name, crc in CRCS.items():
        row = rows[name]
        keys = ("polynomial_hex", "start_hex", "final_xor_hex")
        polynomial, start, final_xor = (int(row[key], 16) for key in keys)
        assert crc == CrcParameters(int(row["bits"]), polynomial, start, row["reflected"] == "yes", final_xor)
        expected = int(row["checksum_of_123456789_hex"], 16)
        assert crc_of(crc).of_bytes(b"123456789") == expected, name


def test_patterns_are_as_published() -> None:
    """Test patterns of the AUTOSAR CRC library specification."""
    rows = table("checksum_patterns")
    assert len(rows) == 49
    for row in rows:
        expected = int(row["checksum_hex"], 16)
        assert crc_of(CRCS[row["name"]]).of_bytes(bytes.fromhex(row["bytes_hex"])) == expected, row


@st.composite
def parameters(draw: st.DrawFn, least: int = 8, most: int = 64) -> CrcParameters:
    width = draw(st.integers(least, most))
    number = st.integers(0, (1 << width) - 1)
    return CrcParameters(width, draw(number), draw(number), draw(st.booleans()), draw(number))


@given(parameters(), st.binary(max_size=64))
def test_any_crc_is_as_crccheck_has_it(crc: CrcParameters, data: bytes) -> None:
    reflected = crc.reflected
    other = Crc(crc.width, crc.polynomial, crc.initial, reflected, reflected, crc.final_xor)
    other.process(data)
    assert crc_of(crc).of_bytes(data) == other.final()


@given(parameters(4, 12), st.binary(max_size=16))
def test_short_crcs_are_what_their_definition_says(crc: CrcParameters, data: bytes) -> None:
    """Bit by bit, as the parametric model defines it."""
    value = crc.initial
    for byte in data:
        for place in range(8) if crc.reflected else reversed(range(8)):
            out = value >> (crc.width - 1) ^ byte >> place & 1
            value = value << 1 & (1 << crc.width) - 1 ^ (crc.polynomial if out else 0)
    if crc.reflected:
        value = int(f"{value:0{crc.width}b}"[::-1], 2)
    assert crc_of(crc).of_bytes(data) == value ^ crc.final_xor


@pytest.mark.parametrize("name", ["CRC-8/ROHC", "CRC-8/AUTOSAR", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC"])
def test_columns_give_what_single_runs_give(name: str) -> None:
    crc = crc_of(CRCS[name])
    payload = np.random.default_rng(1).integers(0, 256, (50, 8), np.uint8)
    one_by_one = [crc.of_bytes(bytes([7]) + row.tobytes()) for row in payload]
    assert crc.of([7, *payload.T], len(payload)).tolist() == one_by_one
    assert crc.of([7, *payload[:0].T], 0).tolist() == []
