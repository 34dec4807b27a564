"""Beside a silence stands what else happened within half a second of its begin, and which nodes went on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import yaml

import canmap
from tests.kits import of_kind, row, serious, spec_of
from tests.streams import CART, ROOT, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec

MESSAGES = """\
BO_ 16 Wheel: 8 WheelNode
 SG_ Angle : 0|16@1+ (1,0) [0|0] "" Other
BO_ 32 Button: 8 PanelNode
 SG_ Pressed : 0|1@1+ (1,0) [0|0] "" Other
BO_ 48 Lamp: 8 LampNode
 SG_ On : 0|1@1+ (1,0) [0|0] "" Other
"""
RECORDS = "records: {stop: {type: Stop, stamp: Button, pressed: Button.Pressed}}\n"


def kit(folder: Path) -> Spec:
    return spec_of(folder, MESSAGES, RECORDS, periods_ms={16: 10, 32: 20, 48: 20})


def drive(pressed_from_ms: int, wheel_until_ms: int = 1000, lamp: bool = True):
    """The wheel's node stops at a time, the button is pressed from another on, all else goes on to 3 s."""
    rows = [(t, 0x10, 0) for t in range(0, wheel_until_ms, 10)]
    rows += [(t, 0x20, int(t >= pressed_from_ms)) for t in range(0, 3000, 20)]
    rows += [(t, 0x30, 0) for t in range(0, 3000, 20) if lamp or t < 990]
    return frames([row(t, can_id, bytes([first, *bytes(7)])) for t, can_id, first in sorted(rows)])


def test_a_change_within_half_a_second_stands_beside(tmp_path: Path) -> None:
    # The wheel's last frame comes at 990 ms; the button is pressed at 1300 ms, 310 ms later.
    result, _ = inspected([drive(pressed_from_ms=1300)], kit(tmp_path))
    (finding,) = serious(result)
    assert finding.beside == (
        "Within half a second of its begin: stop.pressed from no to yes.",
        "Still sending: PanelNode, LampNode.",
    )


def test_a_change_later_than_that_does_not(tmp_path: Path) -> None:
    result, _ = inspected([drive(pressed_from_ms=1500)], kit(tmp_path))  # 510 ms later
    (finding,) = serious(result)
    assert finding.beside == ("Still sending: PanelNode, LampNode.",)


def test_a_node_that_fell_silent_too_is_not_said_to_go_on(tmp_path: Path) -> None:
    result, _ = inspected([drive(pressed_from_ms=2000, lamp=False)], kit(tmp_path))
    assert len(of_kind(result, "stale")) == 2
    assert {finding.beside for finding in serious(result)} == {("Still sending: PanelNode.",)}


def test_a_node_of_which_a_message_goes_on_is_still_sending(tmp_path: Path) -> None:
    more = 'BO_ 64 Torque: 8 WheelNode\n SG_ Nm : 0|16@1+ (1,0) [0|0] "" Other\n'
    spec = spec_of(tmp_path, MESSAGES + more, RECORDS, periods_ms={16: 10, 32: 20, 48: 20, 64: 20})
    rows = [(t, can_id) for can_id in (0x20, 0x30, 0x40) for t in range(0, 3000, 20)]
    rows += [(t, 0x10) for t in range(0, 1000, 10)]
    result, _ = inspected([frames([row(t, can_id) for t, can_id in sorted(rows)])], spec)
    (finding,) = serious(result)
    assert finding.place.message == "Wheel"
    assert finding.beside == ("Still sending: WheelNode, PanelNode, LampNode.",)


def test_a_node_of_which_nothing_is_promised_is_said_to_be_unknown(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, MESSAGES, RECORDS, periods_ms={16: 10, 32: 20})  # nothing of the lamp
    result, _ = inspected([drive(pressed_from_ms=2000)], spec)
    (finding,) = serious(result)
    assert finding.beside == (
        "Still sending: PanelNode.",
        "Not known, as no period is promised: LampNode.",
    )


def test_the_demonstration_says_that_the_stop_was_pressed_and_who_went_on() -> None:
    result = canmap.inspect(str(ROOT / "captures" / "stop_pressed.log"), str(CART))
    (finding,) = serious(result)
    changed, chain, going_on = finding.beside
    assert chain.startswith("The stop chain worked")
    assert "stop_button.pressed" in changed
    assert "from no to yes" in changed
    truth = yaml.safe_load((ROOT / "captures" / "stop_pressed.yaml").read_text(encoding="utf-8"))
    (fault,) = truth["faults"]
    assert fault["kind"] == "stop_pressed"
    assert abs(result.seconds(finding.start_ns) - fault["start_s"]) < 0.5
    assert "SteerNode" not in going_on  # the relay cut it
    assert "Computer" in going_on


def test_it_stands_in_the_json(tmp_path: Path) -> None:
    result, _ = inspected([drive(pressed_from_ms=1300)], kit(tmp_path))
    (found,) = [one for one in result.to_json()["findings"] if one["severity"] != "note"]
    assert len(found["beside"]) == 2
