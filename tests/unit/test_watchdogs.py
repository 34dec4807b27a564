"""Watchdogs: the axis lets go so long after the last fresh demand, in time, too late, too early or never."""

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
BO_ 512 Command: 8 Other
 SG_ Enable : 0|1@1+ (1,0) [0|0] "" Node
 SG_ Percent : 8|8@1+ (1,0) [0|100] "%" Node
 SG_ Counter : 16|4@1+ (1,0) [0|0] "" Node
BO_ 768 Brake: 8 Other
 SG_ Effort : 0|8@1+ (1,0) [0|0] "" Node
"""
END = 'VAL_ 256 State 2 "Ready" 3 "Active" ;\n'
PERIODS = {0x100: 10, 0x200: 20, 0x300: 20}
READY, ACTIVE = 2, 3
ARM = "state_machines: {arm: {signal: Kit.State}}\n"
DEMAND = "demands: {Command: {watchdog: 120 ms, state_machine: arm%s}}\n"
Command = bytes | None


def spec(folder: Path, more: str = "", text: str = "") -> Spec:
    return spec_of(folder, KIT, ARM + DEMAND % more + text, periods_ms=PERIODS, end=END)


def run(
    kit: Spec,
    command: Callable[[int], Command],
    active: Callable[[int], bool],
    brake: Callable[[int], bool] = lambda _: False,
    end_ms: int = 1000,
) -> tuple[Inspection, list[Finding]]:
    """Kit every 10 ms; Command every 20 ms, 3 ms after it; what is found is the same in small chunks."""
    rows = [
        (t, row(t, 0x100, bytes([ACTIVE if active(t) else READY]) + bytes(7))) for t in range(0, end_ms, 10)
    ]
    rows += [(t, row(t, 0x200, data)) for t in range(3, end_ms, 20) if (data := command(t)) is not None]
    rows += [(t, row(t, 0x300)) for t in range(5, end_ms, 20) if brake(t)]
    whole = frames([one for _, one in sorted(rows)])
    result, _ = inspected([whole], kit)
    assert inspected(whole.split(range(0, len(whole), 3)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "watchdog")


def sent(percent: int = 0, enable: int = 1, counter: int = 0) -> bytes:
    return bytes([enable, percent, counter, 0, 0, 0, 0, 0])


def until(stop_ms: int, back_ms: int = 10_000) -> Callable[[int], Command]:
    """The demand until then; its last frame is that before, 3 ms after a multiple of 20."""
    return lambda t: sent() if t < stop_ms or t >= back_ms else None


def test_in_time_is_a_note(tmp_path: Path) -> None:
    """The last frame is that of 483 ms, the first sample that is not active that of 610."""
    result, (found,) = run(spec(tmp_path), until(500), lambda t: t < 610)
    assert found.text == "arm let go 127 ms after the last fresh Command; its watchdog is 120 ms."
    assert (found.severity, found.value, found.limit) == ("note", 0.127, 0.12)
    assert span_ms(result, found) == (610, 610)


def test_too_late_is_an_error(tmp_path: Path) -> None:
    """120 ms, a period of 10 and 2 of jitter after 483 ms are over at 615: active at 620 is too late."""
    _, (found,) = run(spec(tmp_path), until(500), lambda t: t < 620)
    assert found.severity == "note"
    result, (found,) = run(spec(tmp_path), until(500), lambda t: t < 700)
    assert found.text == "arm went to Ready only 217 ms after the last fresh Command; its watchdog is 120 ms."
    assert (found.severity, found.value, found.limit, found.count) == ("error", 0.217, 0.12, 8)
    assert span_ms(result, found) == (620, 700)
    assert (found.place.bus, found.place.message) == ("drive", "Command")
    assert found.facts == {"machine": "arm", "demands": "Command", "to": "Ready"}


def test_an_axis_that_never_lets_go(tmp_path: Path) -> None:
    more = ", reaction: the arm falls, page: 7"
    _, (found,) = run(spec(tmp_path, more), until(500), lambda _: True)
    assert found.open
    assert found.text == (
        "arm is still active 507 ms after the last fresh Command; its watchdog is 120 ms, "
        "after which the arm falls (page 7 of the manual)."
    )


def test_a_demand_that_comes_back_before_the_axis_lets_go(tmp_path: Path) -> None:
    _, (found,) = run(spec(tmp_path), until(500, 800), lambda _: True)
    assert found.text.startswith("arm stayed active though no fresh Command came for 317 ms or more;")
    assert (found.severity, found.open) == ("error", False)


def test_too_early_is_a_warning(tmp_path: Path) -> None:
    """120 ms less the slack of 12 and the demand's period are 88; a demand is gone after 50."""
    _, (found,) = run(spec(tmp_path), until(500), lambda t: t < 560)
    assert found.text == "arm let go already 77 ms after the last fresh Command; its watchdog is 120 ms."
    assert found.severity == "warning"
    for let_go in (530, 580):  # not gone yet; in time
        _, found = run(spec(tmp_path), until(500), lambda t, end=let_go: t < end)
        assert [one.severity for one in found if one.severity != "note"] == []


def test_an_axis_that_is_not_active_is_not_judged(tmp_path: Path) -> None:
    assert run(spec(tmp_path), until(500), lambda _: False)[1] == []
    assert run(spec(tmp_path), until(500), lambda t: t < 400)[1] == []
    assert run(spec(tmp_path), until(500), lambda t: t >= 520)[1] == []  # whatever made it so


def test_an_axis_that_was_no_longer_asked_is_not_early(tmp_path: Path) -> None:
    def command(t: int) -> Command:
        return sent(enable=t < 480) if t < 500 else None

    more = ", asks_when: {Enable: yes}"
    assert run(spec(tmp_path, more), command, lambda t: t < 560)[1] == []
    assert len(run(spec(tmp_path), command, lambda t: t < 560)[1]) == 1


@pytest.mark.parametrize(
    ("more", "bad", "fresh"),
    [
        (", requires: range", sent(percent=101), False),
        ("", sent(percent=101), True),
        (", requires: range", sent(percent=100), True),
        (", fresh_when: {Enable: yes}", sent(enable=0), False),
        (", valid_when: {Enable: yes}", sent(enable=0), False),
        (", asks_when: {Enable: yes}", sent(enable=0), True),
        ("", sent()[:1], False),
    ],
)
def test_what_is_a_fresh_demand(tmp_path: Path, more: str, bad: bytes, fresh: bool) -> None:
    _, found = run(spec(tmp_path, more), lambda t: sent() if t < 500 else bad, lambda _: True)
    assert [one.severity for one in found] == ([] if fresh else ["error"])


def test_a_frame_that_repeats_its_counter_is_not_fresh(tmp_path: Path) -> None:
    kit = spec(tmp_path, text="messages: {Command: {counter: {signal: Counter}}}\n")
    _, found = run(kit, lambda t: sent(counter=min(t, 500) // 20 % 16), lambda _: True)
    assert [one.severity for one in found] == ["error"]
    assert run(kit, lambda t: sent(counter=t // 20 % 16), lambda _: True)[1] == []


@pytest.mark.parametrize(("stands", "severity"), [(False, "warning"), (True, "error")])
def test_demands_that_the_counter_says_were_sent_may_have_come(
    tmp_path: Path, stands: bool, severity: str
) -> None:
    """No frame from 503 to 783 ms, though the axis stays active; the counter went on, or stood meanwhile."""
    kit = spec(tmp_path, text="messages: {Command: {counter: {signal: Counter}}}\n")

    def command(t: int) -> Command:
        away = 500 <= t < 800
        return None if away else sent(counter=(t - 300 * (stands and t >= 800)) // 20 % 16)

    _, (found,) = run(kit, command, lambda _: True)
    assert found.severity == severity
    assert ("the kit may have got what the recorder did not" in found.text) is (severity == "warning")


@pytest.mark.parametrize(("tolerates", "found"), [(0, 1), (1, 1), (8, 0)])
def test_bad_frames_in_a_row_that_are_tolerated(tmp_path: Path, tolerates: int, found: int) -> None:
    """Eight bad frames, from 503 to 643 ms."""
    more = f", requires: range, tolerates: {tolerates}"
    command = lambda t: sent(percent=200 if 500 <= t < 660 else 0)  # noqa: E731
    assert len(run(spec(tmp_path, more), command, lambda _: True)[1]) == found


def test_demands_that_share_a_watchdog(tmp_path: Path) -> None:
    text = DEMAND % ", watchdog_with: Brake"
    text = ARM + text.replace("demands: {", "demands: {Brake: {}, ")
    kit = spec_of(tmp_path, KIT, text, periods_ms=PERIODS, end=END)
    assert run(kit, until(300), lambda _: True, brake=lambda _: True)[1] == []
    _, (found,) = run(kit, until(300), lambda _: True, brake=lambda t: t < 500)
    assert "after the last fresh Command or Brake" in found.text


@pytest.mark.parametrize("first", ["hold", "ramp"])
def test_a_reaction_that_goes_on_for_a_time(tmp_path: Path, first: str) -> None:
    """120 ms, 200 ms of going on, a period of 10 and 2 of jitter after 483 ms are over at 815."""
    kit = spec(tmp_path, f", reaction: {{first: {first}, for: 200 ms, then: stop}}")
    _, (found,) = run(kit, until(500), lambda t: t < 820)
    assert found.severity == "note"
    result, (found,) = run(kit, until(500), lambda t: t < 900)
    assert found.text == (
        "arm went to Ready only 417 ms after the last fresh Command; its watchdog is 120 ms, "
        f"after which it has to {first} for{'' if first == 'hold' else ' at most'} 200 ms, then stop."
    )
    assert (found.severity, found.limit, found.facts["for_s"]) == ("error", 0.12, 0.2)
    assert span_ms(result, found) == (820, 900)


def test_an_axis_that_lets_go_before_its_hold_is_over(tmp_path: Path) -> None:
    """120 ms and 200 of holding, less the slack of 12 and the period of 20, are over 288 ms after 483 ms."""
    kit = spec(tmp_path, ", reaction: {first: hold, for: 200 ms, then: stop}")
    result, (found,) = run(kit, until(500), lambda t: t < 770)
    assert found.text == (
        "arm let go 287 ms after the last fresh Command, before its hold was over; its watchdog is 120 ms, "
        "after which it has to hold for 200 ms, then stop."
    )
    assert (found.severity, found.value, found.facts["for_s"]) == ("warning", 0.287, 0.2)
    assert span_ms(result, found) == (770, 770)
    _, (found,) = run(kit, until(500), lambda t: t < 780)
    assert (found.severity, "hold was" in found.text) == ("note", False)
    _, (found,) = run(kit, until(500), lambda t: t < 560)  # before the watchdog was over
    assert found.text.startswith("arm let go already 77 ms after")


def test_an_axis_that_ramps_or_is_overridden_may_let_go_sooner(tmp_path: Path) -> None:
    """Ready is what the driver's override leads to in the second."""
    ramps = spec(tmp_path, ", reaction: {first: ramp, for: 200 ms}")
    assert [one.severity for one in run(ramps, until(500), lambda t: t < 700)[1]] == ["note"]
    text = ARM.replace("Kit.State", "Kit.State, overridden: Ready") + DEMAND
    text %= ", reaction: {first: hold, for: 200 ms}"
    taken = spec_of(tmp_path, KIT, text, periods_ms=PERIODS, end=END)
    assert [one.severity for one in run(taken, until(500), lambda t: t < 700)[1]] == ["note"]


def test_a_reaction_that_does_not_go_on_has_no_time(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match="`for` is the time of hold and ramp alone"):
        spec(tmp_path, ", reaction: {first: release, for: 200 ms}")


def test_a_reaction_that_holds_first_is_not_late(tmp_path: Path) -> None:
    assert run(spec(tmp_path, ", reaction: {first: hold, then: stop}"), until(500), lambda _: True)[1] == []
    _, (found,) = run(spec(tmp_path, ", reaction: {first: release}"), until(500), lambda _: True)
    assert found.text.endswith("its watchdog is 120 ms, after which it has to release.")


def test_nothing_is_judged_over_a_silence_of_the_state(tmp_path: Path) -> None:
    kit = spec(tmp_path)
    rows = [row(t, 0x100, bytes([ACTIVE, *bytes(7)])) for t in range(0, 1000, 10) if not 450 < t < 700]
    rows += [row(t, 0x200, sent()) for t in range(3, 500, 20)]
    result, _ = inspected([frames(sorted(rows))], kit)
    assert told(of_kind(result, "watchdog")) == []


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (DEMAND.replace("arm", "arn") % "", "There is no state machine `arn`; did you mean `arm`?"),
        (DEMAND.replace("arm", "bare") % "", "does not tell when it acts: name its `active` states."),
    ],
)
def test_a_state_machine_that_does_not_help(tmp_path: Path, text: str, sentence: str) -> None:
    machines = "state_machines: {arm: {signal: Kit.State}, bare: {signal: Brake.Effort}}\n"
    with pytest.raises(SpecError) as told_:
        spec_of(tmp_path, KIT, machines + text, periods_ms=PERIODS, end=END)
    assert sentence in str(told_.value)


def test_without_a_state_machine_a_note_says_so(tmp_path: Path) -> None:
    kit = spec_of(tmp_path, KIT, "demands: {Command: {watchdog: 1 s}}\n", periods_ms=PERIODS, end=END)
    result, _ = run(kit, until(500), lambda _: True)
    text = "The watchdog of Command (line 4) is not checked: its `state_machine` is not named."
    assert text in told(of_kind(result, "spec"))
