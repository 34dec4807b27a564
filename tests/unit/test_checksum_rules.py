"""How a spec says what a checksum is: every way that works, and the one sentence for each that does not."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.mapping.description.description import Description
from canmap.payload.protection import Protection
from canmap.vocabulary.checksum_profiles import PROFILES, CrcParameters
from tests.spec_builders import message, signal, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.manual import ChecksumRule

KIT = Description(
    "kit.dbc",
    (
        message(
            "Tick",
            0x101,
            signal("Value", 0, 16, factor=Fraction(1, 10)),
            signal("Wide", 16, 16),
            signal("Crooked", 36, 16),
            signal("Nibble", 52, 4),
            signal("Check", 56, 8),
        ),
        message("Long", 0x102, signal("Crc", 64, 32), signal("Back", 103, 32, big_endian=True), length=16),
        message("Other", 0x103, signal("Check", 0, 8)),
    ),
)


def rule_of(folder: Path, text: str, name: str = "Tick") -> ChecksumRule:
    spec = spec_of(folder, f"messages:\n  {name}: {{checksum: {{{text}}}}}\n", description=KIT)
    said = next(rule.checksum for rule in spec.messages if rule.message.name == name)
    assert said is not None
    assert said.line == 5
    return said


def mistakes(folder: Path, text: str, name: str = "Tick") -> list[str]:
    with pytest.raises(SpecError) as raised:
        rule_of(folder, text, name)
    assert {fault.line for fault in raised.value.faults} == {5}
    return [fault.text for fault in raised.value.faults]


def test_the_parameters_of_a_crc(tmp_path: Path) -> None:
    said = rule_of(
        tmp_path,
        "signal: Check, polynomial: 0x1D, initial: 0xFF, reflected: yes, final_xor: 0x5A, data_id: 300, "
        "order: [identifier, data_id_high, data_id_low, payload, length], bytes: [5, 0], page: 17",
    )
    assert said.method.crc == CrcParameters(8, 0x1D, 0xFF, True, 0x5A)
    assert said.method.order == ("identifier", "data_id_high", "data_id_low", "payload", "length")
    assert (said.profile, said.data_id, said.bytes, said.page) == ("", (300,), (5, 0), "17")
    assert said.signal is not None
    assert said.signal.signal == "Check"


@pytest.mark.parametrize(
    ("text", "width"),
    [
        ("signal: Wide, polynomial: 0x1021", 16),
        ("position: [3, 2], polynomial: 0x1021", 16),
        ("position: [3, 2], polynomial: 0x4599, width: 15", 15),
        ("signal: Nibble, polynomial: 0x3", 4),
        ("position: 7, profile: CRC-8/AUTOSAR", 8),
        ("signal: Check, profile: sum8, initial: 1, final_xor: 0xFF", 8),
        ("signal: Nibble, profile: J1939 TSC1", 4),
    ],
)
def test_the_width_is_that_of_the_place(tmp_path: Path, text: str, width: int) -> None:
    assert rule_of(tmp_path, text).method.width == width


def test_a_data_id_goes_in_after_the_payload_unless_said_otherwise(tmp_path: Path) -> None:
    assert rule_of(tmp_path, "position: 7, profile: xor8").method.order == ("payload",)
    assert rule_of(tmp_path, "position: 7, profile: xor8, data_id: 3").method.order == ("payload", "data_id")


def test_the_modes_of_profile_1(tmp_path: Path) -> None:
    plain = "position: 0, profile: E2E P01, data_id: 0x0123"
    assert rule_of(tmp_path, plain).method == PROFILES["E2E P01"]
    assert rule_of(tmp_path, f"{plain}, data_id_mode: both").method == PROFILES["E2E P01"]
    assert rule_of(tmp_path, f"{plain}, data_id_mode: low").method.order == ("data_id_low", "payload")
    assert rule_of(tmp_path, f"{plain}, data_id_mode: nibble").method.sent_data_id is not None


def test_a_checksum_of_a_profile_with_a_header(tmp_path: Path) -> None:
    assert rule_of(tmp_path, "position: [8, 9, 10, 11], profile: E2E P04, data_id: 7", "Long").position
    said = "position: [1, 0], profile: E2E P05, data_id: 7"
    assert rule_of(tmp_path, said, "Long").method is not PROFILES["E2E P06"]


SIXTEEN = ", ".join(["1"] * 16)
EITHER = "A checksum needs either a `signal` or a `position`, and not both."
WRONG = {
    "position: 7, profile: crc8": "`crc8` is not a profile of checksums; it is one of CRC-8/SAE-J1850, ",
    "position: 7, profile: CRC-8": "`CRC-8` is not a profile of checksums; it is one of CRC-8/SAE-J1850, ",
    "position: 7, profile: CRC-8/SAEJ1850": (
        "`CRC-8/SAEJ1850` is not a profile of checksums; did you mean `CRC-8/SAE-J1850`?"
    ),
    "position: 7, profile: sum9": "`sum9` is not a profile of checksums; did you mean `sum8`?",
    "signal: Chek, profile: sum8": "Tick has no signal `Chek`; did you mean `Check`?",
    "profile: sum8": EITHER,
    "signal: Check, position: 7, profile: sum8": EITHER,
    "signal: Other.Check, profile: sum8": "Other.Check is not a signal of Tick.",
    "signal: Check": "A checksum needs its `profile`, or the `polynomial` of its CRC.",
    "signal: Check, polynomial: 0x11D": "`polynomial` has more than the 8 bits of the checksum.",
    "signal: Check, profile: sum8, initial: 256": "`initial` has more than the 8 bits of the checksum.",
    "signal: Check, profile: sum8, polynomial: 7": "Leave out `polynomial`: `sum8` says that itself.",
    "signal: Check, profile: CRC-8/AUTOSAR, initial: 7": (
        "Leave out `initial`: `CRC-8/AUTOSAR` says that itself."
    ),
    "signal: Check, profile: E2E P01, data_id: 1, order: [payload]": (
        "Leave out `order`: `E2E P01` says that itself."
    ),
    "signal: Check, profile: E2E P01": "`E2E P01` needs one `data_id`, and here there are none.",
    "signal: Check, profile: E2E P02, data_id: 1": (
        "`E2E P02` needs a list of 16 `data_id`, one for each counter, and here there is 1."
    ),
    "signal: Nibble, profile: J1939 XBR, data_id: 1": "`J1939 XBR` needs no `data_id`, and here there is 1.",
    "signal: Check, profile: E2E P01, data_id: 0x12345": "A `data_id` of `E2E P01` has at most 16 bits.",
    "signal: Check, profile: sum8, data_id: [1, 2]": (
        "A list of data identifiers is for the profiles E2E P02 and E2E P22."
    ),
    "signal: Check, profile: sum8, data_id: 1, order: [payload]": (
        "Nothing in `order` takes the `data_id` in."
    ),
    "signal: Check, profile: sum8, order: [payload, data_id]": (
        "`order` takes in a data identifier, and there is no `data_id`."
    ),
    "signal: Check, profile: sum8, data_id: 0x12345, order: [payload, data_id_low]": (
        "A `data_id` of which the low and the high byte go in has at most 16 bits."
    ),
    "signal: Check, profile: sum8, data_id_mode: low": "Leave out `data_id_mode`: `sum8` has only one.",
    "signal: Check, polynomial: 7, data_id_mode: low": (
        "Leave out `data_id_mode`: only the profiles E2E P01 and E2E P11 have one."
    ),
    "signal: Check, profile: E2E P11, data_id: 1, data_id_mode: low": (
        "`E2E P11` has no mode `low`; it has both and nibble."
    ),
    "signal: Wide, profile: sum8": "Tick.Wide has 16 bits, the checksum 8.",
    "position: [1, 2], profile: sum8": "`position` has 16 bits, the checksum 8.",
    "position: [2, 2], profile: sum16": "`position` names a byte twice.",
    "position: 8, profile: sum8": "Tick has 8 bytes and no byte 8.",
    "position: 7, profile: sum8, bytes: [0, 8]": "Tick has 8 bytes and no byte 8.",
    "signal: Crooked, profile: E2E P05, data_id: 1": (
        "The checksum of this profile stands low byte first, in whole bytes."
    ),
    "signal: Wide, profile: E2E P06, data_id: 1": (
        "The checksum of this profile stands high byte first, in whole bytes."
    ),
    "position: [7, 6], profile: E2E P06, data_id: 1": (
        "The checksum of this profile stands high byte first, in whole bytes."
    ),
    "position: [6, 7], profile: E2E P06, data_id: 1": (
        "With its checksum at byte 6 this profile does not fit into the message."
    ),
    f"position: 7, profile: E2E P02, data_id: [{SIXTEEN}]": (
        "With its checksum at byte 7 this profile does not fit into the message."
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", WRONG)
def test_a_mistake_is_one_sentence(tmp_path: Path, text: str) -> None:
    (said,) = mistakes(tmp_path, text)
    assert said.startswith(WRONG[text])


def test_a_header_in_front_of_the_message(tmp_path: Path) -> None:
    (said,) = mistakes(tmp_path, "position: [0, 1, 2, 3], profile: E2E P04, data_id: 7", "Long")
    assert said == "With its checksum at byte 0 this profile does not fit into the message."


COUNTED = "messages:\n  Tick: {counter: {signal: Nibble}, checksum: {position: 7, profile: E2E P01, "
ALTERNATING = "data_id: 0x123, data_id_mode: alternating}}\n"


def test_a_counter_of_the_message_stands_for_that_of_the_profile(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, COUNTED + ALTERNATING, description=KIT)
    (rule,) = [one for one in spec.messages if one.checksum]
    found = Protection.of(rule)
    assert found is not None
    assert found.counter is not None
    assert found.counter.masks == {6: 0xF0}


def test_a_checksum_that_needs_a_counter_and_has_none(tmp_path: Path) -> None:
    text = COUNTED.replace("counter: {signal: Nibble}, ", "") + ALTERNATING
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text, description=KIT)
    (fault,) = raised.value.faults
    assert (fault.line, fault.text) == (
        5,
        "The checksum of Tick needs its `counter`: where the profile has it, the message has ended.",
    )


def test_a_message_without_a_checksum_has_no_protection(tmp_path: Path) -> None:
    assert [Protection.of(rule) for rule in spec_of(tmp_path, "", description=KIT).messages] == [None] * 3
