"""The driver's override: followed in time, ignored, by nobody, borne out or not, and left by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from tests.kits import of_kind, row, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
 SG_ Hands : 8|1@1+ (1,0) [0|0] "" Other
BO_ 512 Wheel: 8 Node
 SG_ Torque : 0|16@1- (0.01,0) [0|0] "Nm" Other
BO_ 768 Command: 8 Other
 SG_ Enable : 0|1@1+ (1,0) [0|0] "" Node
"""
END = 'VAL_ 256 State 2 "Ready" 3 "Active" 4 "Overridden" ;\n'
PERIODS = {0x100: 10, 0x200: 20, 0x300: 20}
READY, ACTIVE, OVERRIDDEN = 2, 3, 4
ARM = "state_machines: {arm: {signal: Kit.State}}\n"
HAND = "overrides: {hand: {signal: Wheel.Torque, threshold: 4 Nm, longer_than: 100 ms%s}}\n"


def spec(folder: Path, more: str = "", arm: str = ARM) -> Spec:
    return spec_of(folder, KIT, arm + HAND % more, periods_ms=PERIODS, end=END)


def run(
    kit: Spec,
    torque: Callable[[int], float | None],
    state: Callable[[int], int],
    enable: Callable[[int], bool] = lambda _: True,
    hands: bool = False,
) -> tuple[Inspection, list[Finding]]:
    """Kit every 10 ms, Wheel every 20 at 5 ms, Command every 20 at 7; the same in small chunks."""
    rows = [row(t, 0x100, bytes([state(t), hands, *bytes(6)])) for t in range(0, 1000, 10)]
    for t in range(5, 1000, 20):
        if (newton_metres := torque(t)) is not None:
            raw = round(100 * newton_metres).to_bytes(2, "little", signed=True)
            rows.append(row(t, 0x200, raw + bytes(6)))
    rows += [row(t, 0x300, bytes([enable(t), *bytes(7)])) for t in range(7, 1000, 20)]
    whole = frames(sorted(rows))
    result, _ = inspected([whole], kit)
    assert inspected(whole.split(range(0, len(whole), 3)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "override")


def held(t: int) -> float:
    """To the right from 405 ms on, until 605."""
    return -7.0 if 400 <= t < 620 else 0.5


def test_an_override_that_is_followed_is_a_note(tmp_path: Path) -> None:
    """From 405 to 505 ms, by its samples, and in the frame of 520 ms it shows."""
    result, (one,) = run(spec(tmp_path), held, lambda t: OVERRIDDEN if t >= 520 else ACTIVE)
    assert one.text == "arm was overridden: Wheel.Torque had been beyond 4 Nm for 100 ms, up to 7 Nm."
    assert (one.severity, one.value, one.limit, one.place.signal) == ("note", 7, 4, "Torque")
    assert span_ms(result, one) == pytest.approx((520, 520))


def test_an_override_that_is_not_followed_is_an_error(tmp_path: Path) -> None:
    """100 ms, jitters of 4 and 2 and a period of 10 after 405 ms are over at 521: 530 is too late."""
    result, (one,) = run(spec(tmp_path, ", page: 4.2"), held, lambda _: ACTIVE)
    assert one.text == (
        "arm was still active 215 ms after Wheel.Torque had gone beyond 4 Nm; "
        "the driver has to have it after 100 ms (page 4.2 of the manual)."
    )
    assert (one.severity, one.value, one.facts["page"]) == ("error", 0.215, "4.2")
    assert span_ms(result, one) == pytest.approx((505, 630))


def test_a_short_pull_is_no_override(tmp_path: Path) -> None:
    assert run(spec(tmp_path), lambda t: 7.0 if 400 <= t < 480 else 0, lambda _: ACTIVE)[1] == []


def test_nobody_asked_for_it(tmp_path: Path) -> None:
    _, (one,) = run(spec(tmp_path), lambda _: 3.0, lambda t: OVERRIDDEN if t >= 520 else ACTIVE)
    assert one.text == (
        "arm went from Active to Overridden though Wheel.Torque had not been beyond 4 Nm for 100 ms."
    )
    assert (one.severity, one.facts["wrong"], one.facts["to"]) == ("warning", "by_nobody", "Overridden")
    assert one.told(si=True) == one.text.replace("4 Nm", "4 N m")


def test_a_value_near_the_threshold_is_on_neither_side(tmp_path: Path) -> None:
    kit = spec(tmp_path, ", tolerance: 0.5 Nm")
    assert run(kit, lambda _: 4.4, lambda _: ACTIVE)[1] == []
    (one,) = run(kit, lambda _: 3.6, lambda t: OVERRIDDEN if t >= 520 else ACTIVE)[1]
    assert one.severity == "note"


@pytest.mark.parametrize(("hands", "severity"), [(True, "note"), (False, "warning")])
def test_what_should_bear_it_out_may_not(tmp_path: Path, hands: bool, severity: str) -> None:
    kit = spec(tmp_path, ", corroborated_by: {Kit.Hands: yes}")
    _, (one,) = run(kit, held, lambda t: OVERRIDDEN if t >= 520 else ACTIVE, hands=hands)
    assert one.severity == severity
    assert ("but Kit.Hands was not yes, so it may not have been the driver" in one.text) is not hands


def test_thresholds_of_both_sides(tmp_path: Path) -> None:
    """-7 Nm are to the right, of which 8 Nm are allowed here."""
    sides = spec_of(
        tmp_path,
        KIT,
        ARM + "overrides: {hand: {signal: Wheel.Torque, threshold: {left: 4 Nm, right: 8 Nm}}}\n",
        periods_ms=PERIODS,
        end=END,
    )
    assert run(sides, held, lambda _: ACTIVE)[1] == []
    (one,) = run(sides, lambda t: -held(t), lambda _: ACTIVE)[1]
    assert "beyond 4 Nm to the left or 8 Nm to the right" in one.text


def test_left_is_what_the_record_says(tmp_path: Path) -> None:
    """The field turns the sign, so that -7 Nm are to the left."""
    text = (
        ARM + "overrides: {hand: {signal: Wheel.Torque, threshold: {left: 4 Nm, right: 8 Nm}}}\n"
        "records: {steering: {type: Steering, stamp: Wheel, torque: {signal: Wheel.Torque, sign: -1}}}\n"
    )
    kit = spec_of(tmp_path, KIT, text, periods_ms=PERIODS, end=END)
    assert len(run(kit, held, lambda _: ACTIVE)[1]) == 1


LATCHED = ", latched: yes, reset_when: {Command.Enable: no}"


def test_a_latched_override_is_not_left_by_itself(tmp_path: Path) -> None:
    kit = spec(tmp_path, LATCHED)
    _, (_, one) = run(kit, held, lambda t: ACTIVE if not 520 <= t < 800 else OVERRIDDEN)
    assert one.text == (
        "arm went from Overridden to Active by itself, though its override is latched and "
        "Command.Enable was not no."
    )
    assert (one.severity, one.facts["wrong"]) == ("warning", "left_by_itself")


def test_a_latched_override_is_left_when_it_is_reset(tmp_path: Path) -> None:
    found = run(
        spec(tmp_path, LATCHED),
        held,
        lambda t: ACTIVE if not 520 <= t < 800 else OVERRIDDEN,
        enable=lambda t: not 700 <= t < 760,
    )[1]
    assert [one.severity for one in found] == ["note"]


def test_nothing_is_judged_over_a_silence(tmp_path: Path) -> None:
    """The torque was not heard from 300 to 500 ms."""
    gap = spec(tmp_path)
    torque = lambda t: None if 300 <= t < 500 else 0.5  # noqa: E731
    assert told(run(gap, torque, lambda t: OVERRIDDEN if t >= 450 else ACTIVE)[1]) == []


def test_overrides_without_a_machine_are_noted(tmp_path: Path) -> None:
    kit = spec(
        tmp_path, arm="state_machines: {arm: {signal: Kit.State, overridden: []}}\n".replace("[]", "2")
    )
    assert kit.manual.overrides[0].machines == ("arm",)
    (note,) = [one for one in spec(tmp_path, arm="").notes if one.reason == "no_machine_overridden"]
    assert note.text.startswith("The override hand (line 4) is not checked")


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        (", state_machines: arms", "There is no state machine `arms`; did you mean `arm`?"),
        (", tolerance: 3 bar", "The unit `bar` does not convert to N m."),
        (", tolerance: 0 Nm", "The value must be greater than zero."),
        (", reset_when: {Command.Enabled: no}", "no signal `Enabled`; did you mean `Enable`?"),
        (", latchd: yes", "An override has no key `latchd`; did you mean `latched`?"),
    ],
)
def test_mistakes_in_an_override(tmp_path: Path, more: str, fault: str) -> None:
    with pytest.raises(SpecError) as raised:
        spec(tmp_path, more)
    assert fault in str(raised.value)
