"""Demands that go further at once than the kit takes: a finding, and not fresh where the spec says so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.checks.axes.steps import Steps
from tests.finding_numbers import lacking
from tests.kits import row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
BO_ 512 Command: 8 Other
 SG_ Angle : 0|8@1+ (0.5,0) [0|0] "deg" Node
"""
END = 'VAL_ 256 State 2 "Ready" 3 "Active" ;\n'
TEXT = """\
state_machines: {arm: {signal: Kit.State}}
demands: {Command: {watchdog: 100 ms, state_machine: arm, largest_step: {Angle: 10 deg}%s}}
"""
REFUSES = ", requires: step, page: 12"
READY, ACTIVE = 2, 3


def spec(folder: Path, more: str = REFUSES) -> Spec:
    return spec_of(folder, KIT, TEXT % more, periods_ms={0x100: 10, 0x200: 20}, end=END)


def found(kit: Spec, angles: list[float], state: list[int] | None = None) -> tuple[Finding, ...]:
    """The findings of a demand every 20 ms, with the state 5 ms before each; the same in any chunks."""
    rows = []
    for i, angle in enumerate(angles):
        now = ACTIVE if state is None else state[i]
        rows += [row(20 * i + t, 0x100, bytes([now, *bytes(7)])) for t in (0, 10)]
        rows.append(row(20 * i + 5, 0x200, bytes([round(2 * angle), *bytes(7)])))
    whole = frames(sorted(rows))
    result, _ = inspected([whole], kit)
    for step in (1, 2, 3):
        assert inspected(whole.split(range(0, len(whole), step)), kit)[0].to_json() == result.to_json()
    return result.findings


def test_a_step_that_the_kit_takes(tmp_path: Path) -> None:
    steps = [0.0, 10.0, 20.0, 10.0, 0.0]
    assert [one for one in found(spec(tmp_path), steps) if one.kind == "slew"] == []


def test_a_step_that_is_too_large(tmp_path: Path) -> None:
    """From 20 deg to 30.5 deg: refused as long as it is further than 10 deg from the last that was taken."""
    (one,) = (f for f in found(spec(tmp_path), [20, 30.5, 31, 30.5, 25, 25]) if f.kind == "slew")
    assert one.text == (
        "Command.Angle asked for a step of 11 deg; "
        "the kit refuses one of more than 10 deg while the axis acts (page 12 of the manual)."
    )
    assert (one.severity, one.count, one.value, one.limit) == ("error", 3, 11.0, 10.0)
    assert one.facts == {"unit": "deg", "page": "12"}
    assert lacking(one) == []


def test_it_is_not_fresh_where_the_kit_refuses_it(tmp_path: Path) -> None:
    """The last that is fresh came at 25 ms: at 145 ms the watchdog of 100 ms is over."""
    angles = [20.0, 20.0] + [40.0] * 12
    kinds = [one.kind for one in found(spec(tmp_path), angles) if one.severity == "error"]
    assert kinds == ["slew", "watchdog"]
    kinds = [one.kind for one in found(spec(tmp_path, ""), angles) if one.severity == "error"]
    assert kinds == ["slew"]


def test_without_a_refusal_the_frame_before_is_the_measure(tmp_path: Path) -> None:
    (one,) = (f for f in found(spec(tmp_path, ""), [20, 40, 40, 40]) if f.kind == "slew")
    assert (one.count, one.value) == (1, 20.0)
    assert "the kit limits one of more than 10 deg" in one.text


def test_an_axis_that_does_not_act_takes_any_step(tmp_path: Path) -> None:
    assert [f for f in found(spec(tmp_path), [20, 40, 60], [READY] * 3) if f.kind == "slew"] == []


RATE = ", slew: {Angle: 100 deg/s}"


def test_a_demand_that_changes_too_fast(tmp_path: Path) -> None:
    """In 20 ms and a fifth of that 100 deg/s are 2.4 deg, and a count of 0.5: 3 deg are 150 deg/s."""
    assert [one for one in found(spec(tmp_path, RATE), [20, 22.5, 25, 22.5]) if one.kind == "slew"] == []
    (one,) = (f for f in found(spec(tmp_path, RATE), [20, 23, 26.5, 26.5, 26.5, 26.5]) if f.kind == "slew")
    assert one.text == (
        "Command.Angle asked for a change of 175 deg/s; "
        "the kit limits one of more than 100 deg/s while the axis acts."
    )
    assert (one.severity, one.count, one.limit) == ("error", 2, 100.0)
    assert (one.value, one.facts) == (pytest.approx(175), {"unit": "deg/s"})
    assert lacking(one) == []


def test_a_demand_that_the_kit_refuses_has_more_time_the_longer_that_lasts(tmp_path: Path) -> None:
    """From 20 to 28 deg in 20, 40 and 60 ms: 2.9 and 4.9 and 6.9 deg are allowed, in 80 ms 8.9."""
    kit = spec(tmp_path, RATE + ", requires: slew")
    (one,) = (f for f in found(kit, [20, 28, 28, 28, 28, 28, 28]) if f.kind == "slew")
    assert (one.count, one.value) == (3, pytest.approx(400))
    assert "the kit refuses one of more than 100 deg/s" in one.text


def test_a_step_and_a_rate_are_two_findings(tmp_path: Path) -> None:
    told = [f.text for f in found(spec(tmp_path, RATE), [20, 40, 40, 40]) if f.kind == "slew"]
    assert {one.partition(";")[0] for one in told} == {
        "Command.Angle asked for a step of 20 deg",
        "Command.Angle asked for a change of 1000 deg/s",
    }


def test_over_a_step_of_the_clock_no_rate_is_judged(tmp_path: Path) -> None:
    """The stamps step back by 10 s: nobody knows how long it was from one demand to the next."""
    state = [row(t, 0x100, bytes([ACTIVE, *bytes(7)])) for t in range(10_000, 10_100, 10)]
    for t_ms, count in ((125, 0), (10_125, 1)):
        sent = [(10_105, 20), (t_ms, 28), (t_ms + 20, 28)]
        chunk = frames([*state, *(row(t, 0x200, bytes([2 * angle, *bytes(7)])) for t, angle in sent)])
        told = inspected([chunk], spec(tmp_path, RATE))[0].findings
        assert len([one for one in told if one.kind == "slew"]) == count


def test_what_was_taken_last_is_carried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    angles = [20.0, 40.0, 40.0, 20.0]
    found(spec(tmp_path), angles)
    take = Steps.take

    def forgetting(self: Steps, *arguments: object) -> object:
        self.forget()
        return take(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Steps, "take", forgetting)
    with pytest.raises(AssertionError):
        found(spec(tmp_path), angles)


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("{Angle: 10 m}", "The unit `m` does not convert to"),
        ("{Angle: 0 deg}", "The value must be greater than zero."),
        ("{Kit.State: 1 deg}", "Kit.State is not a signal of Command."),
        ("{Angel: 10 deg}", "Command has no signal `Angel`"),
    ],
)
def test_mistakes_of_steps(step: str, words: str, tmp_path: Path) -> None:
    text = f"demands: {{Command: {{largest_step: {step}}}}}\n"
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, KIT, text, periods_ms={}, end=END)
    (fault,) = raised.value.faults
    assert words in fault.text


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        ("{Angle: 10 deg}", "The unit `deg` does not convert to rad/s."),
        ("{Angle: 0 deg/s}", "The value must be greater than zero."),
        ("{Kit.State: 1 deg/s}", "Kit.State is not a signal of Command."),
    ],
)
def test_mistakes_of_rates(rate: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, KIT, f"demands: {{Command: {{slew: {rate}}}}}\n", periods_ms={}, end=END)
    (fault,) = raised.value.faults
    assert words in fault.text
