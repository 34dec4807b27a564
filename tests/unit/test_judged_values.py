"""Values judged against each other: what is found, when, and in what words; and what is no fault."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from tests import values
from tests.finding_numbers import lacking
from tests.kits import of_kind, row, span_ms, spec_of
from tests.streams import MS, frames, inspected
from tests.values import COMMAND, PEDAL, PEDAL_B, REPORT, SPEED, command, pedal, report, speed

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

Rows = "Iterable[tuple[int, str, int, bytes]]"


def run(folder: Path, rows: Rows, text: str = values.RECORDS + values.AXES + values.REDUNDANT) -> Inspection:
    """What comes of frames of the kit."""
    spec = spec_of(folder, values.KIT, text, periods_ms=values.PERIODS_MS)
    return inspected([frames(sorted(rows, key=lambda one: one[0]))], spec)[0]


def only(result: Inspection, kind: str) -> Finding:
    """The one finding of a kind, whose numbers all have a field."""
    (found,) = of_kind(result, kind)
    assert found.severity == "error"
    assert lacking(found) == []
    return found


# --- slew --------------------------------------------------------------------------------------------


def angles(by_ms: dict[float, float]) -> list:
    return [row(t, REPORT, report(angle)) for t, angle in by_ms.items()]


def test_a_step_of_the_angle(tmp_path: Path) -> None:
    """12 deg in 10 ms are 1200 deg/s; 133.7 deg/s are promised."""
    result = run(tmp_path, angles({t: 12 if t >= 100 else 0 for t in range(0, 300, 10)}))
    found = only(result, "slew")
    assert found.text == "steering.wheel_angle changed by up to 1200 deg/s; its limit is 133.7 deg/s."
    assert (span_ms(result, found), found.count) == ((100, 110), 1)
    assert found.value == pytest.approx(20.944, rel=1e-4)  # rad/s, by hand: 1200 * pi / 180
    assert (found.place.record, found.place.field, found.place.signal) == ("steering", "wheel_angle", "Angle")


def test_a_steady_rate_beyond_the_limit_is_found_over_ten_values(tmp_path: Path) -> None:
    """200 deg/s: 2 deg a period, which two periods of 133.7 deg/s allow; 20 deg in ten of them do not."""
    result = run(tmp_path, angles({t: t * 0.2 for t in range(0, 400, 10)}))
    found = only(result, "slew")
    assert found.text.startswith("steering.wheel_angle changed by up to 200 deg/s, 30 times;")
    assert span_ms(result, found)[0] == 100


def test_the_limit_itself_is_no_fault_and_neither_is_a_change_taken_a_period_apart(tmp_path: Path) -> None:
    """A sender that takes its value now and then a period late sends no change, then two at once."""
    late = {t: (t - 10 if t % 50 == 0 else t) * 0.13 for t in range(0, 400, 10)}
    assert of_kind(run(tmp_path, angles(late)), "slew") == []


def test_frames_stamped_in_batches_are_taken_to_be_a_period_apart(tmp_path: Path) -> None:
    """Three frames with one stamp, every 30 ms, of an angle that turns at 130 deg/s; a step in a batch."""
    batched = [row(t // 30 * 30, REPORT, report(t * 0.13)) for t in range(0, 300, 10)]
    assert of_kind(run(tmp_path, batched), "slew") == []
    stepped = [row(t // 30 * 30, REPORT, report(9 if t >= 160 else 0)) for t in range(0, 300, 10)]
    assert span_ms(result := run(tmp_path, stepped), only(result, "slew"))[0] == 150


def test_over_invalid_values_and_gaps_the_change_has_their_time(tmp_path: Path) -> None:
    """10 deg in 80 ms are 125 deg/s, whether the frames between are too short or did not come."""
    short = [
        row(t, REPORT, report(0 if t < 50 else 10, length=1 if 50 < t < 130 else 8)) for t in range(0, 60, 10)
    ]
    short += [row(t, REPORT, report(10, length=1 if t < 130 else 8)) for t in range(60, 200, 10)]
    assert len(of_kind(run(tmp_path, short), "slew")) == 1  # 10 deg in one period, at 50 ms
    quiet = [row(t, REPORT, report(0 if t <= 50 else 10)) for t in range(0, 300, 10) if not 50 < t < 130]
    assert of_kind(run(tmp_path, quiet), "slew") == []


def test_a_wrap_of_the_sign_is_a_change(tmp_path: Path) -> None:
    """From 3276.7 deg, all that 16 bits hold, to -3276.8 deg."""
    result = run(tmp_path, angles({t: 3276.7 if t < 100 else -3276.8 for t in range(0, 200, 10)}))
    assert only(result, "slew").text.startswith("steering.wheel_angle changed by up to 655350 deg/s;")


def test_over_a_step_of_the_recorders_clock_nothing_is_judged(tmp_path: Path) -> None:
    """The recorder was away for two hours, or its clock was set: nobody can tell."""
    later = [(t_ns + 7_200_000 * MS, *rest) for t_ns, *rest in angles(dict.fromkeys(range(100, 200, 10), 90))]
    result = run(tmp_path, [*angles(dict.fromkeys(range(0, 100, 10), 0)), *later])
    assert len(of_kind(result, "time_order")) == 1
    assert of_kind(result, "slew") == []


# --- a range by speed ---------------------------------------------------------------------------------


def at_speed(kmh: float, angle: float) -> list:
    return [
        row(t, can_id, data)
        for t in range(0, 300, 10)
        for can_id, data in ((SPEED, speed(kmh)), (REPORT, report(angle)))
    ]


@pytest.mark.parametrize(
    ("kmh", "angle", "beyond"), [(10, 20, 0), (10, 20.1, 0.1), (-10, -25, 5), (90, 12, 2), (0, 30, 0)]
)
def test_the_limit_falls_with_the_speed_either_way(
    tmp_path: Path, kmh: float, angle: float, beyond: float
) -> None:
    """30 deg at rest, 10 deg at 20 km/h and above: 20 deg at 10 km/h, and that is allowed."""
    result = run(tmp_path, at_speed(kmh, angle))
    if not beyond:
        assert of_kind(result, "range_by_speed") == []
        return
    found = only(result, "range_by_speed")
    assert (
        found.text
        == f"steering.wheel_angle was up to {beyond:g} deg beyond its limit for the speed, from the start."
    )
    assert found.facts["page"] == "7"


def test_without_a_speed_that_is_alive_no_limit_is_known(tmp_path: Path) -> None:
    """The speed stops at 50 ms and is dead from 150 ms on, 100 ms later."""
    rows = [row(t, REPORT, report(40)) for t in range(0, 300, 10)]
    assert of_kind(run(tmp_path, rows), "range_by_speed") == []
    rows += [row(t, SPEED, speed(10)) for t in range(0, 60, 10)]
    assert only(run(tmp_path, rows), "range_by_speed").count == 15


# --- tracking -----------------------------------------------------------------------------------------


def follow(asked, reported, *, state=lambda _: values.ACTIVE, until_ms: int = 400) -> list:
    """Demands 2 ms before reports; None: none is sent."""
    rows = [row(t, REPORT, report(reported(t), state=state(t))) for t in range(0, until_ms, 10)]
    return rows + [
        row(t - 2, COMMAND, command(asked(t))) for t in range(10, until_ms, 10) if asked(t) is not None
    ]


def test_an_axis_that_does_not_follow(tmp_path: Path) -> None:
    """Asked for 12 deg from 100 ms on (the demand comes at 98 ms), allowed 30 ms: wrong from 130 ms on."""
    result = run(tmp_path, follow(lambda t: 12 if t >= 100 else 0, lambda _: 0))
    found = only(result, "tracking")
    assert found.text == (
        "steering.wheel_angle was up to 12 deg away from demand.wheel_angle, 27 times; "
        "5 deg is allowed 30 ms after a demand."
    )
    assert (span_ms(result, found), found.open) == ((130, 390), True)
    assert found.facts["axis"] == "steering"


@pytest.mark.parametrize(
    ("asked", "reported"),
    [
        (lambda t: t * 0.1, lambda t: max(t - 30, 0) * 0.1),  # 30 ms late all the time
        (lambda t: 12 if t >= 100 else 0, lambda t: 7 if t >= 100 else 0),  # within 5 deg of some demand
        (lambda t: 5, lambda _: 0),  # the tolerance itself
        (lambda t: None if t < 200 else 12, lambda t: 40 if t < 200 else 12),  # no demand yet
        (lambda t: 12 if t < 60 else None, lambda t: 12 if t < 160 else 0),  # no demand any more
    ],
)
def test_an_axis_that_follows_or_is_not_asked(tmp_path: Path, asked, reported) -> None:
    assert of_kind(run(tmp_path, follow(asked, reported)), "tracking") == []


def bend(t_ms: float) -> float:
    return 30 * math.sin(t_ms / 80)


@pytest.mark.parametrize(
    ("reported", "turned"),
    [
        (lambda t: -bend(t - 20), True),  # it follows as it may, to the other side
        (lambda t: -bend(t - 20) if t < 300 else bend(t - 20), False),
        (lambda t: -0.3 * bend(t - 20), False),  # a wrong scale is no wrong sign
        (lambda _: 0, False),
        (lambda _: 25, False),  # jammed
        (lambda t: -bend(t - 20) if t < 60 else bend(t - 20), False),
    ],
)
def test_an_axis_whose_sign_is_wrong_is_told_so(tmp_path: Path, reported, turned: bool) -> None:
    rows = follow(bend, reported, until_ms=800)
    spec = spec_of(tmp_path, values.KIT, values.RECORDS + values.AXES, periods_ms=values.PERIODS_MS)
    whole = frames(sorted(rows, key=lambda one: one[0]))
    first, *others = of_kind(inspected([whole], spec)[0], "tracking")
    assert of_kind(inspected(whole.split(range(len(whole))), spec)[0], "tracking") == [first, *others]
    hint = "With the other sign it would follow: check the `sign` of both."
    assert (first.text.endswith(hint), first.facts.get("wrong") == "sign") == (turned, turned)
    assert not [one for one in others if hint in one.text]


def test_an_axis_has_its_time_when_it_becomes_active(tmp_path: Path) -> None:
    """Active from 100 ms on and 20 deg away: wrong from 130 ms on, and no longer once it is off at 200 ms."""
    state = lambda t: values.ACTIVE if 100 <= t < 200 else 0  # noqa: E731
    result = run(tmp_path, follow(lambda _: 20, lambda _: 0, state=state))
    found = only(result, "tracking")
    assert (span_ms(result, found)[0], found.count) == (130, 7)


def test_an_axis_that_need_not_follow_is_not_judged_before_that_is_told(tmp_path: Path) -> None:
    """The speed, every 10 ms, tells at 205 ms that the axis does not follow; off from 190 ms on is no fault.

    A verdict waits for a period and 2 ms of jitter, 12 ms: that of 200 ms is taken back, that of 190 is not.
    """
    axes = values.AXES.replace("within: 30 ms", "within: 30 ms, when: {Wheels.Speed: below 5 km/h}")
    drive = [row(t + 5, SPEED, speed(10 if t >= 200 else 1)) for t in range(0, 400, 10)]
    for since_ms, count in ((200, 0), (180, 2)):
        rows = [*drive, *follow(lambda _: 0, lambda t, since_ms=since_ms: 20 if t >= since_ms else 0)]
        spec = spec_of(tmp_path, values.KIT, values.RECORDS + axes, periods_ms=values.PERIODS_MS)
        whole = frames(sorted(rows, key=lambda one: one[0]))
        result = inspected([whole], spec)[0]
        assert inspected(whole.split(range(len(whole))), spec)[0].to_json() == result.to_json()
        assert sum(found.count for found in of_kind(result, "tracking")) == count


def test_an_echo_proves_nothing(tmp_path: Path) -> None:
    axes = values.AXES.replace("within: 30 ms", "within: 30 ms, echo: yes")
    result = run(tmp_path, follow(lambda _: 20, lambda _: 0), values.RECORDS + axes)
    assert of_kind(result, "tracking") == []


# --- redundant pairs ----------------------------------------------------------------------------------


def pedals(first, second, until_ms: int = 300) -> list:
    rows = [row(t, PEDAL, pedal(first(t))) for t in range(0, until_ms, 10)]
    return rows + [row(t, PEDAL_B, pedal(second(t))) for t in range(0, until_ms, 10)]


def test_a_pair_that_disagrees_for_too_long(tmp_path: Path) -> None:
    """The second stands for 40 % while the first says 60 %, from 100 ms to 200 ms; 20 ms are allowed."""
    result = run(tmp_path, pedals(lambda _: 60, lambda t: 20 if 100 <= t < 200 else 30))
    found = only(result, "disagree")
    assert found.text == (
        "Pedal.First and PedalB.Second (of half its slope) disagreed by up to 20 %; 5 % is allowed, "
        "and more for up to 20 ms."
    )
    assert (found.place.message, found.place.signal, found.facts["pair"]) == ("Pedal", "First", "pedal")
    # The second comes after the first with the same stamp, so that the first sees it 10 ms later.
    assert (span_ms(result, found), found.count) == ((110, 210), 7)


def test_a_short_disagreement_and_one_within_the_tolerance_are_none(tmp_path: Path) -> None:
    assert (
        of_kind(run(tmp_path, pedals(lambda _: 60, lambda t: 20 if 100 <= t < 120 else 27.5)), "disagree")
        == []
    )


@pytest.mark.parametrize(
    ("slope", "second"),
    [
        ("same", 60),
        ("half", 30),
        ("inverse", 40),
        ("inverse_half", 70),
        ("inverse, sum: 90", 30),
        ("inverse_half, sum: 90", 60),
        ("same, offset: 5 %", 65),
        ("half, offset: -5 %", 25),
    ],
)
def test_every_slope(tmp_path: Path, slope: str, second: float) -> None:
    """The first says 60 % of 0 to 100 %; by hand: 100 - 60, 100 - 60 / 2, 90 - 60, 90 - 60 / 2, 65, 25."""
    pair = (
        f"redundant: {{pedal: {{signals: [Pedal.First, PedalB.Second], slope: {slope}, tolerance: 1 %}}}}\n"
    )
    assert of_kind(run(tmp_path, pedals(lambda _: 60, lambda _: second), pair), "disagree") == []
    off = run(tmp_path, pedals(lambda _: 60, lambda _: second + 4), pair)
    apart = 8 if "half" in slope else 4
    assert only(off, "disagree").text.endswith(
        f"disagreed by up to {apart} %, from the start; 1 % is allowed."
    )


def test_a_second_that_is_stale_or_too_short_says_nothing(tmp_path: Path) -> None:
    rows = [row(t, PEDAL, pedal(60)) for t in range(0, 500, 10)]
    stale = [*rows, row(0, PEDAL_B, pedal(0))]
    assert only(run(tmp_path, stale), "disagree").count == 7  # from 40 ms to 100 ms: it came after 0 ms
    short = [row(t, PEDAL_B, pedal(0, length=0)) for t in range(0, 500, 10)]
    assert of_kind(run(tmp_path, [*rows, *short]), "disagree") == []


def test_two_fields_of_records(tmp_path: Path) -> None:
    """The speed of the vehicle in km/h against that of a wheel in m/s: 3.6 km/h are 1 m/s."""
    kit = values.KIT + 'BO_ 1536 Rim: 8 Node\n SG_ Speed : 0|16@1- (0.01,0) [0|0] "m/s" Other\n'
    text = """\
records:
  drive: {type: Drive, stamp: Wheels, speed: Wheels.Speed}
  wheels: {type: Wheels, stamp: Rim, rear_left: Rim.Speed}
redundant:
  speed: {fields: [drive.speed, wheels.rear_left], tolerance: 2 km/h, within: 50 ms, page: p. 9}
"""
    spec = spec_of(tmp_path, kit, text, periods_ms=values.PERIODS_MS | {0x600: 10})
    rows = []
    for t in range(0, 500, 10):
        slipping = 200 <= t < 300
        rows.append(row(t, 0x600, (200 if slipping else 152).to_bytes(2, "little")))  # 1.52 m/s: 5.472 km/h
        rows.append(row(t + 1, SPEED, speed(3.6)))
    found = only(result := inspected([frames(rows)], spec)[0], "disagree")
    assert found.text == (
        "drive.speed and wheels.rear_left disagreed by up to 3.6 km/h; 2 km/h is allowed, and more for up to "
        "50 ms."
    )
    assert (span_ms(result, found), found.count, found.facts["page"]) == ((201, 301), 4, "p. 9")
    assert (found.place.message, found.place.record, found.place.field) == ("Wheels", "drive", "speed")


def test_the_offset_of_two_fields(tmp_path: Path) -> None:
    """The second tells 1.8 km/h more, 0.5 m/s; 3.6 km/h are 1 m/s."""
    kit = values.KIT + 'BO_ 1536 Rim: 8 Node\n SG_ Speed : 0|16@1- (0.01,0) [0|0] "m/s" Other\n'
    text = """\
records:
  drive: {type: Drive, stamp: Wheels, speed: Wheels.Speed}
  wheels: {type: Wheels, stamp: Rim, rear_left: Rim.Speed}
redundant: {speed: {fields: [drive.speed, wheels.rear_left], tolerance: 0.2 km/h, offset: 1.8 km/h}}
"""
    spec = spec_of(tmp_path, kit, text, periods_ms=values.PERIODS_MS | {0x600: 10})
    for told, wrong in ((150, 0), (100, 1)):
        rows = [row(t, 0x600, told.to_bytes(2, "little")) for t in range(0, 200, 10)]
        rows += [row(t + 1, SPEED, speed(3.6)) for t in range(0, 200, 10)]
        assert len(of_kind(inspected([frames(sorted(rows))], spec)[0], "disagree")) == wrong


# --- frozen and railed --------------------------------------------------------------------------------


def moving(kmh, angle, until_ms: int = 300) -> list:
    rows = [row(t, SPEED, speed(kmh(t))) for t in range(0, until_ms, 10)]
    return rows + [row(t + 1, REPORT, report(angle(t))) for t in range(0, until_ms, 10)]


def test_a_value_that_stays_the_same_while_another_moves(tmp_path: Path) -> None:
    """The same from 101 ms on; 2.1 km/h more at 150 ms, so that it must have changed by 176 ms."""
    result = run(tmp_path, moving(lambda t: 2.1 if t >= 150 else 0, lambda t: 5 if t >= 100 else t / 100))
    found = only(result, "frozen")
    assert found.text == (
        "steering.wheel_angle stayed the same to the last bit for 190 ms, although drive.speed moved by more "
        "than 2 km/h; 25 ms after that it must have changed."
    )
    assert (span_ms(result, found), found.count, found.open) == ((101, 291), 12, True)


@pytest.mark.parametrize(
    ("kmh", "angle"),
    [
        (lambda t: 2 if t >= 150 else 0, lambda _: 0),  # it moved by no more than that
        (lambda t: 9 if t >= 280 else 0, lambda _: 0),  # too short a time ago
        (lambda t: 9 if t >= 150 else 0, lambda t: t % 20 / 100),  # noise in the last bit
    ],
)
def test_a_value_that_may_stay_the_same(tmp_path: Path, kmh, angle) -> None:
    assert of_kind(run(tmp_path, moving(kmh, angle)), "frozen") == []


def test_a_signal_that_stands_at_its_end(tmp_path: Path) -> None:
    """All twelve bits from 100 ms to 150 ms, which is longer than 15 ms; 0xFFE is a code for no data."""
    raw = lambda t: 0xFFF if 100 <= t < 150 else 0xFFE if t >= 200 else 100  # noqa: E731
    result = run(tmp_path, [row(t, REPORT, report(0, raw(t))) for t in range(0, 300, 10)])
    found = only(result, "railed")
    assert found.text == (
        "Report.Raw stood at 4095, the largest raw value that it can hold (steering.torque 4095 Nm), "
        "for longer than 15 ms."
    )
    assert (span_ms(result, found), found.count) == ((100, 150), 3)


@pytest.mark.parametrize(
    ("bits", "low", "high"),
    [("8@1+", 0, 0xFF), ("8@1-", 0x80, 0x7F), ("64@1+", 0, 2**64 - 1), ("64@1-", 2**63, 2**63 - 1)],
)
@pytest.mark.parametrize("at", ["low", "high", "both"])
def test_both_ends_of_every_kind_of_signal(tmp_path: Path, bits: str, low: int, high: int, at: str) -> None:
    message = f'BO_ 256 Report: 8 Node\n SG_ Raw : 0|{bits} (1,0) [0|0] "Nm" Other\n'
    torque = f"{{signal: Report.Raw, railed: {{longer_than: 15 ms, at: {at}}}}}"
    text = f"records: {{steering: {{type: Steering, stamp: Report, torque: {torque}}}}}\n"
    spec = spec_of(tmp_path, message, text, periods_ms={256: 10})
    for raw, side in ((low, "low"), (high, "high"), (1, "")):
        rows = [row(t, REPORT, raw.to_bytes(8, "little")) for t in range(0, 100, 10)]
        found = of_kind(inspected([frames(rows)], spec)[0], "railed")
        assert len(found) == (side == at or (at == "both" and bool(side))), (raw, at)
        assert all(("smallest" if side == "low" else "largest") in one.text for one in found)
        assert all("from the start" in one.text for one in found)
