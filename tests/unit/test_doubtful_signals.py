"""A description that garbles signals: a note where nobody uses them, an error where somebody does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import canmap
from canmap.base.errors import SpecError

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec

DESCRIPTION = """\
VERSION ""
BU_: Steer
BO_ 257 Feedback: 8 Steer
 SG_ Angle : 0|16@1- (0.1,0) [0|0] "deg" Steer
 SG_ Fine : 8|8@1- (0.01,0) [0|0] "deg" Steer
 SG_ Rate : 56|16@1- (1,0) [0|0] "deg/s" Steer
 SG_ Torque : 32|8@1- (1,0) [0|0] "Nm" Steer
"""
HEAD = "vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
RECORD = "records:\n  steering:\n    type: Steering\n    stamp: Feedback\n    torque: Feedback.Torque\n"
USED = f"{RECORD}    wheel_angle: Feedback.Angle\n"


def load(folder: Path, text: str) -> Spec:
    (folder / "kit.dbc").write_text(DESCRIPTION, encoding="utf-8")
    (folder / "cart.yaml").write_text(HEAD + text, encoding="utf-8")
    return canmap.load_spec(str(folder / "cart.yaml"))


def test_where_nobody_uses_them_a_note_says_what_is_not_read(tmp_path: Path) -> None:
    spec = load(tmp_path, RECORD)
    (note,) = [note for note in spec.notes if "are not read" in note.text]
    assert (note.bus, note.message) == ("drive", "Feedback")
    assert note.text == (
        "Signals of Feedback in kit.dbc are not read: Angle shares bits with Fine; "
        "Fine shares bits with Angle; "
        "Rate does not fit, as it needs 9 bytes and the message has 8."
    )
    (message,) = spec.buses["drive"].description.messages
    assert [signal.name for signal in message.signals] == ["Torque"]


def test_where_one_is_used_it_is_an_error_at_its_place(tmp_path: Path) -> None:
    with pytest.raises(SpecError) as caught:
        load(tmp_path, USED)
    (fault,) = caught.value.faults
    assert (fault.line, fault.column) == (9, 18)
    assert fault.text == (
        "Feedback.Angle is not read, because it shares bits with Fine (kit.dbc:4); "
        "correct it under `correct`, as `Feedback.Angle: {start_bit: ..., bits: ..., reason: ...}`."
    )


@pytest.mark.parametrize(
    ("correction", "read"),
    [
        ("Feedback.Fine: {start_bit: 16, reason: manual}", ["Angle", "Fine", "Torque"]),
        ("Feedback.Angle: {bits: 8, reason: manual}", ["Angle", "Fine", "Torque"]),
        ("Feedback.Fine: {start_bit: 0, bits: 4, reason: manual}", ["Torque"]),
        ("Feedback.Rate: {start_bit: 16, reason: manual}", ["Rate", "Torque"]),
        ("Feedback: {length: 9, reason: manual}", ["Rate", "Torque"]),
    ],
)
def test_a_correction_puts_right_what_it_corrects_and_no_more(
    tmp_path: Path, correction: str, read: list[str]
) -> None:
    spec = load(tmp_path, f"correct:\n  {correction}\n{RECORD}")
    (message,) = spec.buses["drive"].description.messages
    assert sorted(signal.name for signal in message.signals) == read


def test_a_signal_put_right_can_be_used(tmp_path: Path) -> None:
    spec = load(tmp_path, f"correct:\n  Feedback.Fine: {{start_bit: 16, reason: manual}}\n{USED}")
    capture = tmp_path / "drive.log"
    capture.write_text("(1.000000) can0 101#6400050000000000\n", encoding="utf-8")
    result = canmap.inspect(str(capture), spec, keep=["steering"])
    assert result.records["steering"].wheel_angle.values.tolist() == pytest.approx([0.17453292519943295])


@pytest.mark.parametrize(
    ("line", "end"),
    [
        (
            ' SG_ Bad : 40|0@1+ (1,0) [0|0] "" Steer',
            "`Feedback.Bad: {start_bit: ..., bits: ..., reason: ...}`.",
        ),
        (' SG_ Bad : 40|8@1+ (1e999,0) [0|0] "" Steer', "`Feedback.Bad: {factor: ..., reason: ...}`."),
        (' SG_ Bad m2 : 40|8@1+ (1,0) [0|0] "" Steer', "`Feedback.Bad: {selector: ..., reason: ...}`."),
        (
            ' SG_ Bad : 40|8@1+ (1,0) [0|0] "" Steer\nSIG_VALTYPE_ 257 Bad : 1;',
            "left out); correct that line of the description.",
        ),
        (
            2 * ' SG_ Bad : 40|8@1+ (1,0) [0|0] "" Steer\n',
            "neither is read); correct that line of the description.",
        ),
    ],
)
def test_the_error_names_the_keys_that_put_a_signal_right_or_the_line_of_the_file(
    tmp_path: Path, line: str, end: str
) -> None:
    (tmp_path / "kit.dbc").write_text(f"{DESCRIPTION}{line}\n", encoding="utf-8")
    (tmp_path / "cart.yaml").write_text(f"{HEAD}{RECORD}    wheel_angle: Feedback.Bad\n", encoding="utf-8")
    with pytest.raises(SpecError) as caught:
        canmap.load_spec(str(tmp_path / "cart.yaml"))
    (fault,) = caught.value.faults
    assert fault.text.endswith(end)
    assert "kit.dbc:" in fault.text
