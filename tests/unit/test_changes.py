"""What changed and when: states, yes or no and codes of records, counted, listed, shown and told."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

import canmap
from canmap.cli.lines import LinePrinter
from canmap.cli.render import show
from canmap.engine.engine import Engine
from canmap.stream.sink import About
from canmap.vocabulary.record_types import AxisState, ControlMode
from tests.kits import row, spec_of
from tests.streams import CART, MS, ROOT, START_NS, frames, inspected, taker

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.results.inspection import Inspection

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ Stop : 0|1@1+ (1,0) [0|0] "" Other
 SG_ Mode : 8|4@1+ (1,0) [0|0] "" Other
 SG_ Axis : 16|4@1+ (1,0) [0|0] "" Other
 SG_ Lights : 24|1@1+ (1,0) [0|0] "" Other
 SG_ Code : 32|8@1+ (1,0) [0|0] "" Other
BO_ 512 Tick: 8 Node
 SG_ Value : 0|8@1+ (1,0) [0|0] "" Other
"""
RECORDS = """\
record_types:
  Body: {fields: {lights: {kind: bool}, code: {kind: int}}}
records:
  body: {type: Body, stamp: Kit, lights: Kit.Lights, code: Kit.Code}
  steering:
    type: Steering
    stamp: Kit
    state: {signal: Kit.Axis, labels: {0: off, 1: standby, 2: ready, 3: active}, no_data: 15}
  control: {type: Control, stamp: Kit, mode: {signal: Kit.Mode, labels: {0: manual, 2: autonomous}}}
  stop: {type: Stop, stamp: Kit, pressed: Kit.Stop}
"""


def kit(stop: int = 0, mode: int = 0, axis: int = 0, lights: int = 0, code: int = 0) -> bytes:
    """The payload of a frame."""
    return bytes([stop, mode, axis, lights, code, 0, 0, 0])


def every_10_ms(payload: Callable[[int], bytes], end_ms: int) -> FrameChunk:
    """Kit frames from 0 on, of what each holds at its time in ms."""
    return frames([row(t, data=payload(t)) for t in range(0, end_ms, 10)])


def seen(result: Inspection) -> list[tuple[float, str, object, object, float | None]]:
    """Time, field, values and span of every change, of the JSON."""
    return [
        (one["t_s"], f"{one['record']}.{one['field']}", one["from"], one["to"], one["held_s"])
        for one in result.to_json()["changes"]
    ]


def course(result: Inspection, width: int = 120, *, terminal: bool = False) -> list[str]:
    """The lines below the heading of the course."""
    out = io.StringIO()
    show(result, Console(file=out, width=width, highlight=False, force_terminal=terminal, color_system=None))
    _, *rest = re.split(r"Course of the session,\s+in\s+seconds\s+from\s+the\s+start\n", out.getvalue())
    return rest[0].partition("\n\n")[0].splitlines() if rest else []


@pytest.mark.parametrize(("held_ms", "held_s"), [(3000, 3.0), (300, 0.3)])
def test_an_e_stop_that_was_pressed_and_released_leaves_its_times(
    tmp_path: Path, held_ms: int, held_s: float
) -> None:
    spec = spec_of(tmp_path, KIT, RECORDS, periods_ms={0x100: 10})
    whole = every_10_ms(lambda t: kit(stop=2000 <= t < 2000 + held_ms), 8000)
    result, _ = inspected([whole], spec)
    assert seen(result) == [
        (2.0, "stop.pressed", False, True, held_s),
        (2.0 + held_s, "stop.pressed", True, False, None),
    ]
    pressed, released = result.changes
    assert (pressed.record, pressed.field, pressed.before, pressed.after) == ("stop", "pressed", False, True)
    assert (pressed.clock_ns, pressed.held_ns) == (START_NS + 2000 * MS, held_ms * MS)
    assert (released.number, released.held_ns) == (2, None)
    assert result.change_counts["stop.pressed"] == 2
    assert result.change_counts["control.mode"] == 0
    assert course(result) == [
        f"     2.000  stop.pressed: no to yes, for {held_s:g} s",
        f"     {2 + held_s:.3f}  stop.pressed: yes to no",
    ]


def test_states_have_their_names_and_rows_their_members(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, RECORDS)
    whole = every_10_ms(lambda t: kit(mode=2 if t >= 50 else 0, axis=3 if t >= 20 else 1, code=t >= 70), 100)
    result, _ = inspected([whole], spec)
    assert seen(result) == [
        (0.02, "steering.state", "standby", "active", None),
        (0.05, "control.mode", "manual", "autonomous", None),
        (0.07, "body.code", 0, 1, None),
    ]
    state, mode, _ = result.changes
    assert (state.before, state.after) == (AxisState.STANDBY, AxisState.ACTIVE)
    assert mode.after is ControlMode.AUTONOMOUS
    assert result.to_json()["changes"][0]["at"] == "2023-11-14T22:13:20.020000Z"


def test_a_value_that_is_away_is_no_change_and_the_first_one_is_the_start(tmp_path: Path) -> None:
    """The axis: no data, ready; no data, ready again; no data, active: one change, when active came."""
    spec = spec_of(tmp_path, KIT, RECORDS)
    axis = [15, 15, 2, 2, 15, 15, 2, 15, 3, 3]
    result, _ = inspected([every_10_ms(lambda t: kit(axis=axis[t // 10]), 100)], spec)
    assert seen(result) == [(0.08, "steering.state", "ready", "active", None)]


def test_ten_thousand_changes_are_counted_and_two_hundred_listed(tmp_path: Path) -> None:
    """A frame every 0.1 ms, the stop another one each time: of 10,001 frames 10,000 change it."""
    spec = spec_of(tmp_path, KIT, RECORDS)
    rows = [row(n / 10, data=kit(stop=n % 2, mode=2 if n >= 9000 else 0)) for n in range(10_001)]
    result, _ = inspected([frames(rows)], spec)
    assert result.change_counts["stop.pressed"] == 10_000
    listed = [change for change in result.changes if change.record == "stop"]
    assert [change.number for change in listed] == list(range(1, 201))
    assert {change.held_ns for change in listed} == {100_000}  # of the last one too
    lines = course(result)
    assert len(lines) == 13
    # What flickers does not hide the mode.
    assert "     0.900  control.mode: manual to autonomous" in lines
    # 10,001 changes, 12 of which are shown.
    assert lines[-1] == "  and 9,989 more changes; --json has the first 200 of each field"


def test_the_stop_and_the_mode_are_shown_before_axes_and_these_before_lights(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, RECORDS)
    periods = {"stop": 2000, "mode": 1000, "axis": 500, "lights": 400}

    def payload(t: int) -> bytes:
        on = {name: t // period % 2 for name, period in periods.items()}
        return kit(on["stop"], 2 * on["mode"], 1 + on["axis"], on["lights"])

    result, _ = inspected([every_10_ms(payload, 5000)], spec)
    # In 5 s the stop changes 2 times, the mode 4, the axis 9 and the lights 12 times.
    names = [change.name for change in result.changes]
    assert [
        names.count(one) for one in ("stop.pressed", "control.mode", "steering.state", "body.lights")
    ] == [*(2, 4, 9, 12)]
    lines = course(result)
    shown = [line.split()[1].rstrip(":") for line in lines[:-1]]
    assert (shown.count("stop.pressed"), shown.count("control.mode"), shown.count("steering.state")) == (
        2,
        4,
        6,
    )
    assert lines[-1] == "  and 15 more changes; --json has them"
    assert [float(line.split()[0]) for line in lines[:-1]] == sorted(
        float(line.split()[0]) for line in lines[:-1]
    )
    # Of one moment the stop stands first, though the spec has it last.
    assert next(line.split()[1] for line in lines if line.startswith("     2.000")) == "stop.pressed:"


def test_a_signal_in_two_records_is_kept_twice_and_shown_and_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = "  stop_again: {type: Stop, stamp: Kit, pressed: Kit.Stop}\n"
    spec = spec_of(tmp_path, KIT, RECORDS + more)
    whole = every_10_ms(lambda t: kit(stop=t >= 50), 100)
    result, _ = inspected([whole], spec)
    assert [change.name for change in result.changes] == ["stop.pressed", "stop_again.pressed"]
    assert course(result) == ["     0.050  stop.pressed: no to yes"]
    engine = Engine(spec)
    printer = LinePrinter(60)
    printer.open(About(spec, tuple(rule.name for rule in spec.records), START_NS, START_NS))
    printer.write(taker(engine)(whole))
    assert capsys.readouterr().out.count(" change ") == 1


def test_what_changes_alike_and_together_is_one_line(tmp_path: Path) -> None:
    """Lights on and stop pressed at once are not alike: an e-stop is no light. Lights and beacon are."""
    text = RECORDS.replace("code: {kind: int}", "beacon: {kind: bool}").replace(
        "code: Kit.Code", "beacon: Kit.Code"
    )
    spec = spec_of(tmp_path, KIT.replace("Code : 32|8", "Code : 32|1"), text)
    whole = every_10_ms(lambda t: kit(stop=t >= 500, lights=t >= 500, code=t >= 550), 1000)
    result, _ = inspected([whole], spec)
    assert course(result) == [
        "     0.500  stop.pressed: no to yes",
        "     0.500  body.lights, body.beacon: no to yes",
    ]


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_the_course_fits_every_terminal_and_is_not_wrapped_in_a_pipe(tmp_path: Path, width: int) -> None:
    text = RECORDS.replace("  body:", "  the_lamps_of_the_whole_body_of_this_vehicle:")
    spec = spec_of(tmp_path, KIT, text)
    result, _ = inspected([every_10_ms(lambda t: kit(stop=t // 300 % 2, lights=t // 900 % 2), 2000)], spec)
    piped = course(result, width)
    assert piped[0] == "     0.300  stop.pressed: no to yes, for 0.3 s"
    assert "     0.900  the_lamps_of_the_whole_body_of_this_vehicle.lights: no to yes, for 0.9 s" in piped
    shown = course(result, width, terminal=True)
    assert max(len(line.rstrip()) for line in shown) <= width
    assert "".join("".join(shown).split()) == "".join("".join(piped).split())


def test_a_session_without_a_change_says_so_and_a_spec_without_a_state_nothing(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, RECORDS)
    assert course(inspected([every_10_ms(lambda _: kit(), 100)], spec)[0]) == ["  no state changed"]
    text = "records:\n  drive: {type: Drive, stamp: Kit, throttle: {signal: Kit.Code, unit: percent}}\n"
    spec = spec_of(tmp_path, KIT, text)
    assert course(inspected([every_10_ms(lambda _: kit(), 100)], spec)[0]) == []


def test_a_change_is_told_at_once_and_before_the_silence_that_follows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = spec_of(tmp_path, KIT, RECORDS, periods_ms={0x100: 10, 0x200: 10})
    rows = [row(t, data=kit(stop=t >= 200)) for t in range(0, 600, 10)]
    rows += [row(t + 1, 0x200) for t in range(0, 190, 10)]  # Tick falls silent as the stop is pressed
    whole = frames(sorted(rows))
    engine, printer = Engine(spec), LinePrinter(60)
    take = taker(engine)
    for number, piece in enumerate(whole.split(range(1, len(whole)))):
        step = take(piece)
        if not number:
            printer.open(About(spec, (), engine.session.zero_ns, engine.session.zero_ns))
        printer.write(step)
        if step.changes:  # in the step of its own frame
            (change,) = step.changes
            assert (change.clock_ns, step.now_ns) == (START_NS + 200 * MS,) * 2
            assert change.held_ns is None
    lines = capsys.readouterr().out.splitlines()
    (told,) = [n for n, line in enumerate(lines) if "change stop.pressed  no to yes" in line]
    (stale,) = [n for n, line in enumerate(lines) if "begins error stale  Tick" in line]
    assert lines[told].startswith("     0.200 s  ")
    assert told < stale


def test_in_the_capture_of_the_pressed_stop_the_press_is_seen_before_what_it_led_to() -> None:
    """The truth beside the capture says 7.988 s; the panel says so at once, KitState every 100 ms."""
    result = canmap.inspect(str(ROOT / "captures" / "stop_pressed.log"), CART)
    by_name = {change.name: change for change in result.changes}
    pressed, opened = by_name["stop_button.pressed"], by_name["stop_loop.loop_open"]
    assert 7.987555 < result.seconds(pressed.clock_ns) < 7.987555 + 0.020
    assert pressed.clock_ns < opened.clock_ns < pressed.clock_ns + 101 * MS
    assert (pressed.before, pressed.after, pressed.held_ns) == (False, True, None)
    assert (result.change_counts["stop_radio.pressed"], result.change_counts["stop_link.link_lost"]) == (0, 0)
    # Alike and soon after, but not the same thing: a line each.
    assert course(result)[-4:-2] == [
        "     8.005  stop_button.pressed: no to yes",
        "     8.036  stop_loop.loop_open, stop_loop.supply_cut: no to yes",
    ]


def test_the_mode_of_a_kit_that_starts_or_is_stopped_has_its_own_words(tmp_path: Path) -> None:
    labels = 'VAL_ 256 Mode 0 "Manual" 4 "Starting" 5 "Stopped" ;\n'
    text = "records:\n  control: {type: Control, stamp: Kit, mode: Kit.Mode}\n"
    spec = spec_of(tmp_path, KIT, text, end=labels)
    result, _ = inspected([every_10_ms(lambda t: kit(mode=(4, 0, 5)[t // 100]), 300)], spec)
    assert [(old, new) for _, _, old, new, _ in seen(result)] == [
        ("starting", "manual"),
        ("manual", "stopped"),
    ]
