"""The supply of the simulated kit, the inertia of its wheel and its coasting against handbook formulas.

Authorities, all from memory, to be found in any handbook: Ohm's law; the resistance of a copper wire,
``R = rho l / A`` with rho = 0.0172 ohm mm^2/m at 20 °C; the energy of a capacitor, ``C U^2 / 2``; the moment
of inertia of a thin ring, ``m r^2``; the deceleration by rolling resistance, ``m a = -c_rr m g``.
"""

from __future__ import annotations

import re
from pathlib import Path

import cantools
import numpy as np
import pytest

from canmap.simulator.cart.chronicle import Chronicle
from canmap.simulator.cart.feed import BUFFERS, LEAD_OHM, LOWEST_V, USUAL, Buffer, KitFeed
from tests.fault_examples import TRIP
from tests.simulated import MS, run_of, short_drive
from tests.streams import CART

CAPTURES = Path(CART).parents[2] / "captures"
STEP_NS = 10 * MS
RAIL_V = 13.4
NODES = ("SteerNode", "BrakeNode", "DriveNode")


def test_a_capacitor_holds_a_node_up_for_the_energy_that_it_has() -> None:
    # 1 mF from 24 V to 12 V: 0.288 J - 0.072 J = 0.216 J, which 6 W take in 36 ms.
    assert Buffer(1e-3, 6.0).hold_up_ns(24.0, 12.0) == 36 * MS
    # And step by step, with the current that constant power takes: C dU/dt = -P / U.
    for buffer in (USUAL, *BUFFERS.values()):
        voltage, t_s, step_s = RAIL_V, 0.0, 1e-6
        while voltage > LOWEST_V:
            middle = voltage - 0.5 * step_s * buffer.power / (buffer.capacitance * voltage)
            voltage -= step_s * buffer.power / (buffer.capacitance * middle)
            t_s += step_s
        assert buffer.hold_up_ns(RAIL_V) / 1e9 == pytest.approx(t_s, abs=2e-6)


def test_a_lead_drops_what_its_copper_resists() -> None:
    lead_ohm = 0.0172 * (2 * 2.0) / 2.5  # 2 m there and 2 m back, of 2.5 mm^2
    assert lead_ohm == pytest.approx(0.0275, abs=1e-4)
    feed = KitFeed(Chronicle(), NODES, "SteerNode", RAIL_V)
    feed.lead_ohm, feed.current = lead_ohm, -40.0
    assert feed.motor_drop == pytest.approx(1.10, abs=0.01)
    feed.step(0, True, None)
    assert all(feed.up.values())
    assert feed.rail_drop == 0.0  # the others do not see it


def test_a_sag_that_is_shorter_than_the_hold_up_is_survived() -> None:
    feed = KitFeed(Chronicle(), NODES, "SteerNode", RAIL_V)
    feed.step(0, True, None)
    feed.lead_ohm, feed.current = 0.2, 40.0  # 8 V drop: 5.4 V are left
    for t_ns in (STEP_NS, 2 * STEP_NS, 3 * STEP_NS):
        assert not feed.step(t_ns, True, None)
    feed.current = 0.0
    assert not feed.step(4 * STEP_NS, True, None)
    feed.current = 40.0
    changed = [t_ns for t_ns in range(5 * STEP_NS, 12 * STEP_NS, STEP_NS) if feed.step(t_ns, True, None)]
    assert len(changed) == 1
    # The capacitor was full again and lasts 30.2 ms, from somewhere within the step in which it is low.
    lasts_ns = feed.when_ns["SteerNode"] - 5 * STEP_NS
    assert feed.hold_up_ns("SteerNode") <= lasts_ns < feed.hold_up_ns("SteerNode") + STEP_NS
    assert changed[0] <= feed.when_ns["SteerNode"] < changed[0] + STEP_NS
    assert feed.up == {"SteerNode": False, "BrakeNode": True, "DriveNode": True}
    feed.current, fell_ns = 0.0, feed.when_ns["SteerNode"]
    back = [t_ns for t_ns in range(12 * STEP_NS, 20 * STEP_NS, STEP_NS) if feed.step(t_ns, True, None)]
    assert len(back) == 1
    assert feed.when_ns["SteerNode"] == fell_ns + 50 * MS
    assert back[0] <= fell_ns + 50 * MS < back[0] + STEP_NS


def test_nodes_fall_one_after_the_other_once_the_relay_is_open(tmp_path: Path) -> None:
    script = short_drive(3.0) + "vehicle: {hold_up: yes}\n"
    run = run_of(tmp_path, script, "{kind: stop_pressed, at: 2 s}")
    chain = run.fault["chain"]
    opened_s = next(link["at_s"] for link in chain if link["what"] == "relay opened")
    off_s = {link["of"]: link["at_s"] - opened_s for link in chain if link["what"] == "node off"}
    for name, after_s in off_s.items():
        exact_s = BUFFERS.get(name, USUAL).hold_up_ns(RAIL_V) / 1e9
        assert exact_s <= after_s + 1e-6 <= exact_s + 0.01 + 1e-6  # the relay acts within a step
    last_s = [run.heard(name).t_s[-1] for name in ("BrakeFeedback", "DriveFeedback", "SteerFeedback")]
    assert [opened_s < each < opened_s + 0.04 for each in last_s[1:]] == [True, True]


def test_the_torque_sensor_feels_the_inertia_of_the_rim(tmp_path: Path) -> None:
    heavy = run_of(tmp_path, TRIP + "vehicle: {rim_mass: 1.2 kg}\n").heard("SteerFeedback").within(2.0, 3.0)
    torque = heavy["Torque"][1:]
    acceleration = np.diff(np.deg2rad(heavy["Rate"])) / 0.01
    inertia = -float(torque @ acceleration / (acceleration @ acceleration))
    assert inertia == pytest.approx(1.2 * 0.19**2, rel=0.03)  # a thin ring: 0.0433 kg m^2
    assert np.abs(torque).max() > 4.0  # over the kit's threshold, too short for an override
    assert set(heavy["State"]) == {3}
    light = run_of(tmp_path, TRIP).heard("SteerFeedback").within(2.0, 3.0)
    assert np.abs(light["Torque"]).max() < 0.1


def test_without_its_kit_the_cart_coasts_as_rolling_resistance_has_it() -> None:
    """`stop_pressed.log`: the kit is dead from 8 s on, and the vehicle's own node tells wheel speeds."""
    database = cantools.database.load_file(str(CAPTURES.parent / "specs/orchard_cart/kit.dbc"))
    text = (CAPTURES / "stop_pressed.log").read_text(encoding="ascii")
    lines = re.findall(r"\(([\d.]+)\) can0 122#(\w+)", text)
    t_s = np.array([float(stamp) for stamp, _ in lines]) - float(text[1 : text.index(")")])
    told = [database.decode_message(0x122, bytes.fromhex(payload)) for _, payload in lines]
    speed_mps = np.array([float(each["RearLeft"]) for each in told]) / 3.6
    slow = (t_s > 10) & (speed_mps > 0.1) & (speed_mps < 1.0)  # where the air does next to nothing
    slope = np.polyfit(t_s[slow], speed_mps[slow], 1)[0]
    assert slope == pytest.approx(-0.018 * 9.80665, rel=0.02)
    start_mps = speed_mps[np.searchsorted(t_s, 8.1)]
    stands_s = t_s[np.flatnonzero(speed_mps > 0)[-1]] - 8.1
    assert stands_s < start_mps / (0.018 * 9.80665)  # without air drag it would roll so long
    assert stands_s == pytest.approx(start_mps / (0.018 * 9.80665), rel=0.05)


def test_the_lead_of_a_healthy_cart_drops_little() -> None:
    assert pytest.approx(0.2) == LEAD_OHM * 40.0  # at the motor's largest current
