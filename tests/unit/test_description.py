"""What is read out of a DBC."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest

from canmap.mapping.description.load import load_description

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.description.description import Description

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Steer Brake\n\n'


def load(tmp_path: Path, body: str, encoding: str = "utf-8", name: str = "kit.dbc") -> Description:
    path = tmp_path / name
    path.write_bytes((HEAD + body).encode(encoding))
    return load_description(str(path))


def test_a_signal_is_described_by_exact_numbers(tmp_path: Path) -> None:
    description = load(
        tmp_path,
        "BO_ 2147483909 SteerFeedback: 8 Steer\n"
        ' SG_ Angle : 7|16@0- (0.1,-40) [-540|540.5] "deg" Brake\n'
        ' SG_ Speed : 16|12@1+ (0.0078125,0) [0|0] "km/h" Brake\n'
        'VAL_ 2147483909 Speed 4095 "not available" 0 "stopped" ;\n',
    )
    (message,) = description.messages
    assert (message.name, message.can_id, message.extended, message.length) == (
        "SteerFeedback",
        0x105,
        True,
        8,
    )
    angle, speed = message.signals
    assert (angle.start_bit, angle.bits, angle.big_endian, angle.signed, angle.is_float) == (
        7,
        16,
        True,
        True,
        False,
    )
    assert (angle.factor, angle.offset) == (Fraction(1, 10), Fraction(-40))
    assert (angle.minimum, angle.maximum, angle.unit) == (Fraction(-540), Fraction(1081, 2), "deg")
    assert (speed.big_endian, speed.signed, speed.factor) == (False, False, Fraction(1, 128))
    assert speed.labels == {4095: "not available", 0: "stopped"}
    assert description.path == str(tmp_path / "kit.dbc")


@pytest.mark.parametrize("limits", ["0|0", "0.0|0.0", "-0|0", "5|1"])
def test_an_empty_range_promises_nothing(tmp_path: Path, limits: str) -> None:
    signal = (
        load(tmp_path, f'BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0) [{limits}] "" Brake\n')
        .messages[0]
        .signals[0]
    )
    assert (signal.minimum, signal.maximum) == (None, None)


def test_a_range_from_zero_is_a_promise(tmp_path: Path) -> None:
    signal = (
        load(tmp_path, 'BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0) [0|1E2] "" Brake\n').messages[0].signals[0]
    )
    assert (signal.minimum, signal.maximum) == (Fraction(0), Fraction(100))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_units_read_right_in_either_encoding(tmp_path: Path, encoding: str) -> None:
    body = (
        'BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0) [0|0] "°C" Brake\n SG_ T : 8|8@1+ (1,0) [0|0] "µm²" Brake\n'
    )
    path = tmp_path / "kit.dbc"
    path.write_bytes((HEAD + body).encode(encoding))
    signals = load_description(str(path)).messages[0].signals
    assert [signal.unit for signal in signals] == ["°C", "µm²"]


def test_periods_and_senders(tmp_path: Path) -> None:
    description = load(
        tmp_path,
        "BO_ 1 Fast: 8 Steer\nBO_ 2 Default: 8 Vector__XXX\nBO_ 3 Never: 8 Brake\n"
        "BO_TX_BU_ 2 : Brake,Steer;\n"
        'BA_DEF_ BO_ "GenMsgCycleTime" FLOAT 0 100000;\nBA_DEF_DEF_ "GenMsgCycleTime" 100;\n'
        'BA_ "GenMsgCycleTime" BO_ 1 2.5;\nBA_ "GenMsgCycleTime" BO_ 3 0;\n',
    )
    assert [message.period_ns for message in description.messages] == [2_500_000, 100_000_000, None]
    assert [message.sender for message in description.messages] == ["Steer", "Brake", "Brake"]


def test_no_period_and_no_sender(tmp_path: Path) -> None:
    (message,) = load(tmp_path, "BO_ 1 M: 8 Vector__XXX\n").messages
    assert (message.period_ns, message.sender, message.signals) == (None, None, ())


def test_signals_that_no_message_sends_are_left_out(tmp_path: Path) -> None:
    description = load(
        tmp_path,
        'BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0) [0|0] "" Brake\n'
        "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n"
        ' SG_ Spare : 0|8@1+ (1,0) [0|0] "" Vector__XXX\n'
        'VAL_ 3221225472 Spare 0 "BO_ 7 No: 8" ;\nSIG_VALTYPE_ 3221225472 Spare : 1;\nVAL_ 1 S 1 "on" ;\n',
    )
    assert [message.name for message in description.messages] == ["M"]
    assert description.messages[0].signals[0].labels == {1: "on"}


def test_simple_and_nested_multiplexing(tmp_path: Path) -> None:
    (message,) = load(
        tmp_path,
        "BO_ 1 M: 8 Steer\n"
        ' SG_ Page M : 0|8@1+ (1,0) [0|0] "" Brake\n'
        ' SG_ Sub m0M : 8|8@1+ (1,0) [0|0] "" Brake\n'
        ' SG_ Deep m3 : 16|8@1+ (1,0) [0|0] "" Brake\n'
        ' SG_ Other m1 : 8|8@1+ (1,0) [0|0] "" Brake\n'
        "SG_MUL_VAL_ 1 Sub Page 0-0;\n"
        "SG_MUL_VAL_ 1 Deep Sub 3-5, 6-6, 9-10;\n"
        "SG_MUL_VAL_ 1 Other Page 1-1, 7-255;\n",
    ).messages
    assert {signal.name: (signal.selector, signal.selected_by) for signal in message.signals} == {
        "Page": (None, ()),
        "Sub": ("Page", ((0, 0),)),
        "Deep": ("Sub", ((3, 6), (9, 10))),
        "Other": ("Page", ((1, 1), (7, 255))),
    }


def test_a_selector_with_a_long_name_is_found(tmp_path: Path) -> None:
    (message,) = load(
        tmp_path,
        "BO_ 1 M: 8 Steer\n"
        ' SG_ Pg M : 0|8@1+ (1,0) [0|0] "" Brake\n SG_ S m1 : 8|8@1+ (1,0) [0|0] "" Brake\n'
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
        'BA_ "SystemSignalLongSymbol" SG_ 1 Pg "PageWithAVeryLongNameIndeedLongerThan32";\n',
    ).messages
    assert message.signals[1].selector == message.signals[0].name == "PageWithAVeryLongNameIndeedLongerThan32"


def test_floats_are_told_from_integers(tmp_path: Path) -> None:
    (message,) = load(
        tmp_path,
        "BO_ 1 M: 16 Steer\n"
        ' SG_ A : 0|32@1- (1,0) [0|0] "" Brake\n SG_ B : 32|32@1- (1,0) [0|0] "" Brake\n'
        ' SG_ C : 71|64@0- (1,0) [0|0] "" Brake\n'
        "SIG_VALTYPE_ 1 B : 1;\nSIG_VALTYPE_ 1 C : 2;\n",
    ).messages
    assert [signal.is_float for signal in message.signals] == [False, True, True]


def test_other_formats_are_read_by_their_ending(tmp_path: Path) -> None:
    path = tmp_path / "kit.kcd"
    path.write_text(
        '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/>'
        '<Node id="1" name="Steer"/><Bus name="drive">'
        '<Message id="0x105" length="8" name="M" interval="20"><Producer><NodeRef id="1"/></Producer>'
        '<Signal name="S" offset="8" length="16"><Value slope="0.5" unit="deg"/></Signal></Message></Bus>'
        "</NetworkDefinition>"
    )
    (message,) = load_description(str(path)).messages
    assert (message.name, message.can_id, message.sender, message.period_ns) == (
        "M",
        0x105,
        "Steer",
        20_000_000,
    )
    assert (message.signals[0].start_bit, message.signals[0].factor) == (8, Fraction(1, 2))
