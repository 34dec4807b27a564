"""End-to-end protection against published payloads, and the library autosar-e2e 1.0.0 on any payload."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from e2e import p01, p02, p04, p05, p06, p07, p11
from hypothesis import given
from hypothesis import strategies as st

from canmap.vocabulary.checksum_profiles import E2E
from tests.protections import bytes_of, passes, protection
from tests.published import table

if TYPE_CHECKING:
    from canmap.payload.protection import Protection

MODES = {"both": 0, "alternating": 1, "low": 2, "nibble": 3}  # of the library's profile 1


def named(row: dict[str, str]) -> str:
    return f"{row['profile']} {row['payload_hex']}"


def of_row(row: dict[str, str]) -> tuple[Protection, bytes]:
    payload, first = bytes.fromhex(row["payload_hex"]), int(row["checksum_byte"])
    data_id = [int(one, 16) for one in row["data_id_hex"].split()]
    position = bytes_of(row["profile"], first)
    return protection(row["profile"], len(payload), position, *data_id, mode=row["mode"]), payload


@pytest.mark.parametrize(
    "row", table("e2e_payloads"), ids=lambda row: f"{row['profile']} {row['payload_hex']}"
)
def test_published_payloads_pass_and_no_other_bit_does(row: dict[str, str]) -> None:
    found, payload = of_row(row)
    assert passes(found, payload)
    for bit in range(8 * len(payload)):
        changed = bytearray(payload)
        changed[bit // 8] ^= 1 << bit % 8
        assert not passes(found, bytes(changed)), bit


@pytest.mark.parametrize(
    "row", table("e2e_payloads"), ids=lambda row: f"{row['profile']} {row['payload_hex']}"
)
def test_the_counter_of_a_profile_is_where_the_published_payloads_have_it(row: dict[str, str]) -> None:
    found, payload = of_row(row)
    assert found.counter is not None
    assert found.rolling is not None
    number = int(found.counter.read(_column(payload))[0])
    assert number == int(row["counter"])
    assert found.rolling.places(_column(payload)[:, 0] * 0 + number)[0] == number


def _column(payload: bytes):
    import numpy as np

    return np.frombuffer(payload, np.uint8).reshape(1, -1)


def test_published_payloads_are_of_every_profile_but_those_from_memory() -> None:
    by_table = {row["profile"] for row in table("e2e_payloads")}
    by_library = {"E2E P06"}
    assert by_table | by_library == {name for name, method in E2E.items() if not method.from_memory}


DATA = st.binary(min_size=24, max_size=64)
OFFSET, BYTE, DATA_ID = st.integers(0, 8), st.integers(0, 23), st.integers(0, 0xFFFF)
Protect = Callable[..., None]


def protected(protect: Protect, data: bytes, data_id: object, **more: object) -> bytearray:
    whole = bytearray(data)
    protect(whole, data_id, **more)
    return whole


def agrees(found: Protection, whole: bytearray, byte: int) -> None:
    assert passes(found, bytes(whole))
    whole[byte] ^= 0x10
    assert not passes(found, bytes(whole))


@given(DATA, OFFSET, DATA_ID, st.sampled_from(list(MODES)), BYTE)
def test_profile_1(data: bytes, offset: int, data_id: int, mode: str, byte: int) -> None:
    whole = protected(p01.e2e_p01_protect, data, data_id, offset=offset, data_id_mode=MODES[mode])
    agrees(protection("E2E P01", len(data), [offset], data_id, mode=mode), whole, byte)


@given(DATA, OFFSET, DATA_ID, st.sampled_from(["both", "nibble"]), BYTE)
def test_profile_11(data: bytes, offset: int, data_id: int, mode: str, byte: int) -> None:
    number = p11.E2E_P11_DATAID_NIBBLE if mode == "nibble" else p11.E2E_P11_DATAID_BOTH
    whole = protected(p11.e2e_p11_protect, data, data_id, offset=offset, data_id_mode=number)
    agrees(protection("E2E P11", len(data), [offset], data_id, mode=mode), whole, byte)


@given(DATA, st.binary(min_size=16, max_size=16), BYTE.filter(lambda byte: byte > 1))
def test_profile_2(data: bytes, data_ids: bytes, byte: int) -> None:
    whole = protected(p02.e2e_p02_protect, data, data_ids)
    agrees(protection("E2E P02", len(data), [0], *data_ids), whole, byte)


HEADED: dict[str, tuple[Protect, int]] = {  # and where the checksum stands in the header
    "E2E P04": (p04.e2e_p04_protect, 8),
    "E2E P05": (p05.e2e_p05_protect, 0),
    "E2E P06": (p06.e2e_p06_protect, 0),
    "E2E P07": (p07.e2e_p07_protect, 0),
}


@given(DATA, st.integers(0, 4), st.integers(0, 2**32 - 1), BYTE, st.sampled_from(list(HEADED)))
def test_profiles_with_a_header(data: bytes, offset: int, data_id: int, byte: int, name: str) -> None:
    protect, place = HEADED[name]
    data_id &= (1 << E2E[name].data_id_bits) - 1
    whole = protected(protect, data, data_id, offset=offset)
    agrees(protection(name, len(data), bytes_of(name, offset + place), data_id), whole, byte)
