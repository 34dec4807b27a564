"""The simulated vehicle and its actuators against published kinematics and textbook closed forms.

Authorities: the rows of tests/data/published/kinematics.csv, which name their sources one by one; the closed
form of a coast-down under rolling resistance and air drag, a separable equation (from memory, any text on
road loads: with a = rolling, b = drag over mass,
``speed(t) = sqrt(a/b) tan(atan(speed(0) sqrt(b/a)) - t sqrt(a b))``); SciPy's `signal.step` for the
second-order system, and its textbook overshoot and peak time.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from canmap.base.errors import UsageError
from canmap.simulator.cart.actuators import Actuator, Play, Response
from canmap.simulator.cart.cart import BRAKE_MOTOR, STEERING_MOTOR, THROTTLE
from canmap.simulator.cart.vehicle import (
    TractionBattery,
    Vehicle,
    VehicleParameters,
    front_angles,
    wheel_speeds,
)
from tests.reference.test_kinematics import rows

SECONDS = 0.01
CIRCLE = ("bike_R", "bike_curv", "bike_yaw")
WHEELS = ("ack_", "rear", "front")


def driven(inputs: dict[str, float], seconds: float) -> Vehicle:
    """A vehicle after some time at constant speed and road angle."""
    parameters = VehicleParameters(wheelbase=inputs["L_m"], rolling_resistance=0.0, drag_area=0.0)
    vehicle = Vehicle(parameters, speed=inputs.get("v_mps", 5.0), road_angle=inputs["delta_rad"])
    for _ in range(round(seconds / SECONDS)):
        vehicle.step(0.0, 0.0, SECONDS)
    return vehicle


def test_it_drives_the_published_circles() -> None:
    tested = 0
    for name, inputs, expected, allowed in rows(*CIRCLE):
        if "delta_rad" not in inputs:
            continue  # the other way round: the angle from the yaw rate
        vehicle = driven(inputs, 2.0)
        turned_rad, way_m = vehicle.heading, vehicle.speed * 2.0
        got = {
            "bike_R": way_m / turned_rad,
            "bike_c": turned_rad / way_m,
            "bike_y": turned_rad / 2.0,
        }[name[:6]]
        assert got == pytest.approx(expected, abs=allowed), name
        tested += 1
    assert tested >= 12


def test_its_path_is_the_circle() -> None:
    for name, inputs, radius_m, _ in rows("bike_R"):
        vehicle = driven(inputs, 1.0)
        # The centre lies the radius to the left of the start. A step of 10 ms at 5 m/s is a chord of
        # 0.05 m, and midpoint steps leave a circle by less than its sagitta.
        distance_m = math.hypot(vehicle.x, vehicle.y - radius_m)
        assert distance_m == pytest.approx(abs(radius_m), abs=0.05**2 / abs(radius_m)), name


def test_the_wheels_turn_as_published() -> None:
    tested = 0
    for name, inputs, expected, allowed in rows(*WHEELS):
        track = inputs["track_m"]
        delta = inputs.get("delta_rad", math.atan(2.7 / inputs.get("R_m", math.inf)))
        parameters = VehicleParameters(wheelbase=inputs.get("L_m", 2.7), track=track)
        left, right = (float(angle) for angle in front_angles(np.array(delta), parameters))
        speeds = [
            float(each)
            for each in wheel_speeds(np.array(inputs.get("v_mps", 0.0)), np.array(delta), parameters)
        ]
        told = {
            "ack_left": left,
            "ack_right": right,
            "ack_cot": 1 / math.tan(right) - 1 / math.tan(left),
            **dict(zip(("frontL", "frontR", "rearL", "rearR"), speeds, strict=True)),
        }
        assert told[name.rpartition("_")[0]] == pytest.approx(expected, abs=allowed), name
        tested += 1
    assert tested >= 28


@pytest.mark.parametrize("drag_area", [0.4, 1.1, 5.0])
@pytest.mark.parametrize("start_mps", [1.5, 4.0, 12.0])
def test_it_coasts_down_by_the_closed_form(drag_area: float, start_mps: float) -> None:
    vehicle = Vehicle(VehicleParameters(drag_area=drag_area), speed=start_mps)
    # Standard gravity, and air of 1.2 kg/m^3.
    rolling, drag = 0.018 * 9.80665, 0.5 * 1.2 * drag_area / vehicle.parameters.mass
    root, rate = math.sqrt(rolling / drag), math.sqrt(rolling * drag)
    stop_s = math.atan(start_mps / root) / rate
    way_m = math.log(1 + (start_mps / root) ** 2) / (2 * drag)
    t_s = 0.0
    while vehicle.speed > 0:
        vehicle.step(0.0, 0.0, SECONDS)
        t_s += SECONDS
        if t_s < stop_s - SECONDS:
            expected = root * math.tan(math.atan(start_mps / root) - rate * t_s)
            assert vehicle.speed == pytest.approx(expected, abs=1e-6)
    assert t_s == pytest.approx(stop_s, abs=SECONDS)
    assert vehicle.x == pytest.approx(way_m, abs=1e-3)
    vehicle.step(0.0, 500.0, SECONDS)
    assert vehicle.speed == 0.0  # brakes do not push


@pytest.mark.parametrize("response", [STEERING_MOTOR, BRAKE_MOTOR, THROTTLE])
@pytest.mark.parametrize("seconds", [0.01, 0.005, 0.001])
def test_an_actuator_steps_as_scipy_says(response: Response, seconds: float) -> None:
    free = Response(response.dead_time, response.frequency, response.damping)
    actuator = Actuator(free, seconds)
    count = round(1.5 / seconds)
    got = np.array([actuator.step(1.0) for _ in range(count)])
    dead = round(response.dead_time / seconds)
    system = signal.TransferFunction(
        [response.frequency**2], [1, 2 * response.damping * response.frequency, response.frequency**2]
    )
    times, expected = signal.step(system, T=np.arange(count - dead + 1) * seconds)
    assert np.all(got[:dead] == 0.0)
    np.testing.assert_allclose(got[dead:], expected[1:], atol=1e-9)
    # Textbook: overshoot exp(-pi d / sqrt(1 - d^2)), at the time pi / (w sqrt(1 - d^2)).
    swing = math.sqrt(1 - response.damping**2)
    assert got.max() == pytest.approx(1 + math.exp(-math.pi * response.damping / swing), abs=1e-3)
    peak_s = times[np.argmax(got[dead:])] + seconds
    assert peak_s == pytest.approx(math.pi / (response.frequency * swing), abs=seconds)


def test_an_actuator_keeps_to_its_rate_and_its_travel() -> None:
    actuator = Actuator(Response(0.0, 30.0, 0.7, rate=2.0, low=-0.5, high=1.0), 0.01)
    values = np.array([0.0] + [actuator.step(5.0) for _ in range(100)])
    assert np.diff(values).max() == pytest.approx(0.02)
    assert values.max() == 1.0
    assert [actuator.step(-5.0) for _ in range(200)][-1] == -0.5
    actuator.hold(0.25)
    assert (actuator.value, actuator.speed) == (0.25, 0.0)
    with pytest.raises(UsageError, match="A damping of 1 is not between 0 and 1"):
        Actuator(Response(0.0, 30.0, 1.0), 0.01)


def test_play_gives_half_its_gap_away_in_each_direction() -> None:
    play = Play(2.0)
    driving = np.concatenate([np.linspace(0, 5, 51), np.linspace(5, -5, 101), np.linspace(-5, 0, 51)])
    driven_side = np.array([play.step(value) for value in driving])
    assert driven_side.max() == pytest.approx(4.0)
    assert driven_side.min() == pytest.approx(-4.0)
    assert np.abs(driven_side - driving).max() <= 1.0 + 1e-12
    assert driven_side[60] == pytest.approx(4.0)  # turned round by 0.9 of the 2.0, nothing moves yet


def test_the_battery_delivers_what_is_asked_and_sags() -> None:
    battery = TractionBattery()
    rest = 44.0 + 9.6 * battery.charge
    battery.step(0.0, 1.0)
    assert battery.voltage == pytest.approx(rest - 0.025 * 2.5)
    battery.step(3400.0, 0.0)
    motor_current = battery.current - 2.5
    # Power balance: what the motor's inverter takes, at the voltage that this current alone leaves.
    assert motor_current * (rest - 0.025 * motor_current) == pytest.approx(3400.0 / 0.85, rel=1e-4)
    assert battery.voltage < rest - 1.5
    before = battery.charge
    battery.step(3400.0, 36.0)
    assert before - battery.charge == pytest.approx(battery.current * 36.0 / 360e3)
