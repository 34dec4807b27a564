"""Which bytes go into a checksum, in which order, and where it stands: by hand, and bit by bit."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest
from crccheck.crc import Crc
from hypothesis import given
from hypothesis import strategies as st

from canmap.mapping.manual import ChecksumRule
from canmap.mapping.model import MessageRule, Trigger
from canmap.mapping.refs import SignalRef
from canmap.payload.bit_places import BitPlace
from canmap.payload.packing import Packing
from canmap.payload.protection import Protection
from canmap.vocabulary.checksum_profiles import CRCS, PROFILES, CrcParameters, crc_method
from tests.protections import frames_of, passes, protection
from tests.spec_builders import message, signal

if TYPE_CHECKING:
    from canmap.mapping.description.description import DescribedMessage, DescribedSignal

DATA = bytes.fromhex("11 22 33 44 55 66 77")


def sum_method(**changes):
    return replace(PROFILES["sum8"], **changes)


def test_a_sum_by_hand() -> None:
    """0x11 + 0x22 + ... + 0x77 = 0x1DC; with the identifier 0x1A5 (0x01 + 0xA5) and the length 8: 0x28A."""
    assert passes(protection("sum8", 8, [7]), DATA + b"\xdc")
    assert passes(protection("sum16", 9, [7, 8]), DATA + b"\x01\xdc")
    assert passes(protection("sum16", 9, [8, 7]), DATA + b"\xdc\x01")
    method = sum_method(order=("identifier", "length", "payload"))
    assert passes(protection(method, 8, [7], can_id=0x1A5), DATA + b"\x8a")
    inverted = sum_method(initial=1, final_xor=0xFF)  # 0x1DD, inverted
    assert passes(protection(inverted, 8, [7]), DATA + b"\x22")


def test_an_exclusive_or_by_hand() -> None:
    """0x11 ^ 0x22 ^ ... ^ 0x66 = 0x77, with 0x77 = 0."""
    assert passes(protection("xor8", 8, [7]), DATA + b"\x00")
    assert not passes(protection("xor8", 8, [7]), DATA + b"\x01")
    method = replace(PROFILES["xor8"], order=("payload", "data_id"))
    assert passes(protection(method, 8, [7], 0x2A), DATA + b"\x2a")


def test_the_message_checksums_of_j1939_by_hand() -> None:
    """Bytes 1 to 7, byte 8 & 0x0F and the identifier [SAE J1939-71; XBR as an open header, TSC1 from memory].

    0x0C040B2A: 0x0C + 0x04 + 0x0B + 0x2A = 0x45. 0x1DC + 0x05 + 0x45 = 0x226. XBR: (0x22 + 0x226) & 0xF = 8.
    TSC1: (0x226 >> 6 & 3) + (0x226 >> 3) + 0x226 = 0 + 0x44 + 0x226 = 0x26A, & 7 = 2.
    """
    for profile, expected in (("J1939 XBR", 8), ("J1939 TSC1", 2)):
        found = nibble(profile, 0x0C040B2A)
        assert passes(found, DATA + bytes([expected << 4 | 5]))
        assert not passes(found, DATA + bytes([expected << 4 | 4]))
        assert not passes(found, DATA + bytes([(expected ^ 1) << 4 | 5]))
        assert found.counter is not None
        assert found.counter.read(frames_of(DATA + b"\xa5")[0]).tolist() == [5]


def nibble(profile: str, can_id: int) -> Protection:
    """The checksum in the upper half of byte 7."""
    made = message("Brake", can_id, signal("Check", 60, 4), extended=True)
    said = ChecksumRule(method=PROFILES[profile], signal=SignalRef("drive", "Brake", "Check"))
    return Protection(MessageRule("drive", made, Trigger.EVENT, None, None, False, None, 0, checksum=said))


def test_the_identifier_is_that_of_each_frame() -> None:
    found = nibble("J1939 XBR", 0x0C040B2A)
    payload, length = frames_of(DATA + b"\x85", DATA + b"\x85")
    can_id = np.array([0x0C040B2A, 0x18040B2A], np.uint32)
    assert found.passes(payload, length, can_id).tolist() == [True, False]


@pytest.mark.parametrize(
    ("covered", "taken"),
    [(None, "C0 44 55 66 77 88"), ((0, 4), "C0 44 55"), ((4, 0), "55 44 C0"), ((5, 5), "66")],
)
def test_the_order_is_the_order_of_the_bytes(covered: tuple[int, int] | None, taken: str) -> None:
    """CRC-16/IBM-3740 of what is written out by hand, by crccheck; the checksum is in bytes 1 and 2."""
    crc = CRCS["CRC-16/IBM-3740"]
    method = replace(crc_method(crc), order=("identifier", "data_id_high", "payload", "data_id", "length"))
    found = protection(method, 8, [1, 2], 0x1234, can_id=0x1A5, covered=covered)
    whole = bytes.fromhex(f"01 A5 12 {taken} 34 12 08")
    check = Crc(16, crc.polynomial, crc.initial, False, False, 0).process(whole).final()
    assert passes(found, b"\xc0" + check.to_bytes(2, "big") + bytes.fromhex("44 55 66 77 88"))


def test_frames_of_several_lengths_are_judged_each_by_its_own() -> None:
    found = protection("sum8", 8, [0])
    good = [bytes([6, 1, 2, 3]), bytes([3, 1, 2]), bytes([28, *range(1, 8)]), bytes([0]), b""]
    payload, length = frames_of(*good)
    assert found.passes(payload, length).tolist() == [True, True, True, True, False]
    verdict = found.judge(payload, length)
    assert verdict.there.tolist() == [True, True, True, True, False]
    assert verdict.expected.tolist()[:4] == [6, 3, 28, 0]
    assert not found.passes(payload + np.uint8(1), length).any()
    assert found.passes(payload[:0], length[:0]).tolist() == []


def test_what_is_beyond_the_described_length_is_padding() -> None:
    found = protection("sum8", 10, [0])
    assert passes(found, bytes([45, *range(1, 10), 7, 7]))
    assert not passes(found, bytes([46, *range(1, 10), 1]))


def test_a_payload_too_short_for_its_checksum_does_not_pass() -> None:
    found = protection("sum8", 8, [7])
    assert not passes(found, bytes(7))
    assert passes(found, bytes(8))
    assert not passes(protection("E2E P04", 12, [8, 9, 10, 11], 7), bytes(8))


def test_a_checksum_that_the_multiplexer_leaves_out() -> None:
    """Page 1 carries it, page 0 does not: there nothing can be wrong, and nothing is judged."""
    made = message(
        "Paged",
        0x100,
        signal("Page", 0, 4),
        signal("Check", 56, 8, selector="Page", selected_by=((1, 1),)),
    )
    said = ChecksumRule(method=PROFILES["sum8"], signal=SignalRef("drive", "Paged", "Check"))
    found = Protection(MessageRule("drive", made, Trigger.EVENT, None, None, False, None, 0, checksum=said))
    rows = [
        bytes([page, 5, 0, 0, 0, 0, 0, check]) for page, check in ((1, 6), (1, 7), (0, 5), (0, 7), (2, 7))
    ]
    verdict = found.judge(*frames_of(*rows))
    assert verdict.right.tolist() == [True, False, True, True, True]
    assert verdict.there.tolist() == [True, True, False, False, False]


@pytest.mark.parametrize("name", ["E2E P04", "E2E P07", "E2E P08", "E2E P44"])
def test_a_profile_that_sends_its_data_identifier_has_it_looked_at(name: str) -> None:
    """The checksum is right by itself: only the number beside it tells of a frame of another message."""
    method = PROFILES[name]
    first = 8 if method.counter and method.counter.byte < 0 else 0
    position = [*range(first, first + method.width // 8)]
    found = protection(name, 24, position, 0x0A0B0C0D)
    blank = bytearray(24)
    assert method.sent_length is not None
    assert method.sent_data_id is not None
    for sent, number in ((method.sent_length, 24), (method.sent_data_id, 0x0A0B0C0D)):
        start = first + sent.byte
        blank[start : start + sent.bits // 8] = number.to_bytes(sent.bits // 8, "big")
    payload, length = frames_of(bytes(blank))
    for byte, number in zip(
        position, int(found.judge(payload, length).expected[0]).to_bytes(len(position)), strict=True
    ):
        payload[0, byte] = number
    assert found.passes(payload, length).all()
    other = protection(name, 24, position, 0x0A0B0C0E)
    verdict = other.judge(payload, length)
    assert (verdict.came == verdict.expected).all()
    assert not verdict.right.any()
    assert not passes(found, payload[0, :23].tobytes())  # another length than is sent


def test_the_counter_of_the_frame_before() -> None:
    """A sender that counts on between checksum and sending."""
    found = protection("E2E P02", 8, [0], *range(16))
    payload, length = frames_of(*(bytes([0, count, 9, 9, 9, 9, 9, 9]) for count in range(4)))
    late = payload.copy()
    late[1:, 1] = payload[:-1, 1]
    payload[:, 0] = found.judge(late, length).expected
    assert found.passes(payload, length).tolist() == [True, False, False, False]
    expected = found.expected_with_counter_of(payload[1:], payload[:-1], length[1:])
    assert (expected == payload[1:, 0]).all()


@st.composite
def placed(draw: st.DrawFn) -> tuple[DescribedMessage, DescribedSignal, int]:
    big, bits = draw(st.booleans()), draw(st.integers(1, 64))
    first = draw(st.integers(0, 128 - bits))
    start = first // 8 * 8 + 7 - first % 8 if big else first
    made = signal("Check", start, bits, big_endian=big, factor=Fraction(1))
    return message("Tick", 0x100, made, length=16), made, draw(st.integers(0, (1 << bits) - 1))


@given(placed(), st.binary(min_size=16, max_size=16))
def test_a_place_is_where_the_signal_is_packed(
    case: tuple[DescribedMessage, DescribedSignal, int], data: bytes
) -> None:
    made, check, number = case
    place = BitPlace.of_signal(check)
    packed = Packing(made).pack({"Check": np.array([number], np.uint64)}, 1)
    assert place.read(packed).tolist() == [number]
    background, _ = frames_of(data)
    mixed = place.taken_from(background, packed)
    assert place.read(mixed).tolist() == [number]
    assert place.taken_from(mixed, background).tolist() == background.tolist()
    assert place.bytes_needed == max(index + 1 for index, byte in place.masks.items() if byte)
    assert place.read(packed[:, :0]).tolist() == [0]


@given(
    st.integers(4, 64).flatmap(lambda width: st.tuples(st.just(width), st.integers(0, (1 << width) - 1))),
    st.booleans(),
    st.binary(min_size=8, max_size=8),
)
def test_any_free_crc_passes_what_is_protected_with_it(
    parameters: tuple[int, int], reflected: bool, data: bytes
) -> None:
    width, polynomial = parameters
    crc = CrcParameters(width, polynomial, 1, reflected, 3)
    size = (width + 7) // 8
    found = protection(crc_method(crc), 8 + size, [*range(8, 8 + size)])
    payload, length = frames_of(data + bytes(size))
    check = int(found.judge(payload, length).expected[0])
    assert check >> width == 0
    assert passes(found, data + check.to_bytes(size, "big"))
    assert not passes(found, data + (check ^ 1).to_bytes(size, "big"))
