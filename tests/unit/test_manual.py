"""What a spec says of the manual reaches the model, typed and in SI."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.mapping.fault_rules import FaultRule
from canmap.mapping.manual import (
    ChecksumRule,
    CounterRule,
    DemandRule,
    VerifiedOn,
)
from canmap.mapping.refs import MessageRef, Requirement, SignalRef
from canmap.mapping.relay_rules import Guarded, RelayRule
from canmap.vocabulary.checksum_profiles import PROFILES
from tests.kits import spec_of as kit_of
from tests.streams import VEHICLE, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import MessageRule

MS = 1_000_000


def rule_of(bus: str, message: str):
    return next(r for r in spec_of(VEHICLE).messages if (r.bus, r.message.name) == (bus, message))


def test_counter_checksum_relay_and_latency_of_a_message() -> None:
    feedback = rule_of("drive", "SteerFeedback")
    counter = SignalRef("drive", "SteerFeedback", "Counter")
    assert feedback.counter == CounterRule(signal=counter, step=1, wrap=14, reserved=(15,), per="message")
    assert feedback.latency_ns == 12 * MS
    command = rule_of("drive", "SteerCommand")
    checksum = SignalRef("drive", "SteerCommand", "Checksum")
    profile = "CRC-8/SAE-J1850"
    method = replace(PROFILES[profile], order=("payload", "data_id"))
    assert command.checksum == ChecksumRule(
        method=method, profile=profile, signal=checksum, data_id=(0x2A,), bytes=(0, 6), page="31"
    )
    relay = RelayRule(
        message=MessageRef("drive", "SteerFeedback"),
        decimation=4,
        delay_ns=5 * MS,
        nominal_ns=2 * MS,
        protection=Guarded.END_TO_END,
        page="16",
    )
    assert rule_of("chassis", "SteerFeedback").relay_of == relay


def test_a_demand_and_when_it_is_obeyed() -> None:
    enable, mode = SignalRef("drive", "SteerCommand", "Enable"), SignalRef("drive", "KitState", "Mode")
    assert spec_of(VEHICLE).manual.demands == (
        DemandRule(
            message=MessageRef("drive", "SteerCommand"),
            watchdog_ns=120 * MS,
            reaction="the kit lets go of the column",
            fresh_when=(Requirement(enable, ((1, 1),)), Requirement(mode, ((1, 1), (2, 2)))),
            asks_when=(Requirement(enable, ((1, 1),)), Requirement(mode, ((1, 1), (2, 2)))),
            requires=("counter", "checksum", "enable", "range"),
        ),
    )


def test_faults_by_bit_and_of_a_whole_signal() -> None:
    bits = SignalRef("drive", "KitState", "FaultBits")
    faults = spec_of(VEHICLE).manual.faults
    assert faults[1] == FaultRule(signal=bits, bit=1, text="Supply below 10 V", severity="warning")
    released = SignalRef("drive", "BrakeFeedback", "ParkingReleased")
    closed = FaultRule(signal=released, text="Parking brake set", severity="note", normally_closed=True)
    assert faults[2] == closed


def test_states_by_raw_code_with_their_conditions() -> None:
    (machine,) = spec_of(VEHICLE).manual.state_machines
    assert (machine.name, machine.signal) == ("kit", SignalRef("drive", "KitState", "Mode"))
    first, second = machine.transitions
    homed = Requirement(SignalRef("drive", "SteerFeedback", "Homed"), ((1, 1),))
    assert (first.origin, first.target, first.within_ns, first.when) == ((0,), (1, 2), 500 * MS, (homed,))
    assert (second.origin, second.target) == ((1, 2), (0, 3))
    assert machine.longest_ns == {3: 600_000 * MS}
    assert machine.enable is not None
    assert (machine.enable.edge, machine.enable.when[0].ref.signal) == ("rising", "Speed")


def test_pairs_overrides_supply_and_what_it_was_verified_on() -> None:
    manual = spec_of(VEHICLE).manual
    (pair, column, speed), (override,) = manual.redundant, manual.overrides
    assert (pair.slope, pair.within_ns) == ("half", 100 * MS)
    assert pair.tolerance == 5  # of a pedal from 0 to 100 %
    assert (column.slope, column.sum, column.tolerance) == ("inverse", 0, 20)
    assert (speed.fields, speed.signals) == ((("drive", "speed"), ("wheels", "rear_right")), ())
    assert float(speed.tolerance) == pytest.approx(0.5556, rel=1e-4)  # m/s, by hand: 2 / 3.6
    assert (override.left, override.right, override.longer_than_ns, override.latched) == (
        4,
        4,
        100 * MS,
        True,
    )
    assert manual.supply_groups == {"kit": ("SteerNode", "BrakeNode")}
    assert isinstance(manual.verified_on, VerifiedOn)
    assert manual.verified_on.firmware == "2.14"


def test_axes_frozen_and_railed_in_si_with_their_pages() -> None:
    """By hand: 5 deg * pi / 180 = 0.0872665 rad."""
    steering, echoed = spec_of(VEHICLE).manual.axes
    assert (steering.report, steering.demand) == (
        ("steering", "wheel_angle"),
        ("steering_demand", "wheel_angle"),
    )
    assert float(steering.tolerance or 0) == pytest.approx(0.0872665, rel=1e-5)
    assert (steering.within_ns, steering.page, steering.echo, echoed.echo) == (300 * MS, "15", False, True)
    fields = {field.type.name: field for record in spec_of(VEHICLE).records for field in record.fields}
    frozen = next(
        field.frozen for record in spec_of(VEHICLE).records for field in record.fields if field.frozen
    )
    railed = fields["throttle"].railed
    assert (frozen.longer_than_ns, frozen.related) == (500 * MS, ("steering_demand", "wheel_angle"))
    assert float(frozen.moves) == pytest.approx(0.0872665, rel=1e-5)
    assert railed is not None
    assert (railed.longer_than_ns, railed.at, railed.page) == (200 * MS, "low", "13")


def test_slew_and_range_by_speed_in_si() -> None:
    """By hand: 700 deg/s * pi / 180 = 12.2173 rad/s; 540 deg = 9.42478 rad; 20 km/h = 50/9 m/s."""
    fields = [field for record in spec_of(VEHICLE).records for field in record.fields]
    field = next(one for one in fields if one.range_by_speed is not None)
    assert float(field.slew or 0) == pytest.approx(12.2173, rel=1e-5)
    assert field.range_by_speed is not None
    assert field.range_by_speed.speed == ("drive", "speed")
    assert float(field.range_by_speed.points[0][1]) == pytest.approx(9.42478, rel=1e-5)
    assert field.range_by_speed.points[1][0] == Fraction(50, 9)


def message_of(folder: Path, said: str) -> MessageRule:
    messages = 'BO_ 256 Tick: 8 Node\n SG_ Value : 0|16@1+ (1,0) [0|0] "" Other\n'
    spec = kit_of(folder, messages, f"messages: {{Tick: {said}}}\n", periods_ms={0x100: 10})
    return spec.messages[0]


def test_a_latency_may_have_a_jitter_and_a_message_a_page(tmp_path: Path) -> None:
    plain = message_of(tmp_path, "{latency: 8 ms}")
    assert (plain.latency_ns, plain.latency_jitter_ns, plain.longest_latency_ns) == (8 * MS, 0, 8 * MS)
    both = message_of(tmp_path, '{latency: {nominal: 8 ms, jitter: 2 ms}, page: "4.2"}')
    assert (both.latency_ns, both.latency_jitter_ns, both.longest_latency_ns) == (8 * MS, 2 * MS, 10 * MS)
    assert both.facts == {"period_s": 0.01, "page": "4.2"}
    with pytest.raises(SpecError, match="The jitter is longer than the nominal latency"):
        message_of(tmp_path, "{latency: {nominal: 1 ms, jitter: 2 ms}}")


def test_a_description_other_than_the_verified_one_is_a_note(tmp_path: Path) -> None:
    """The hash of the right file by the tool of the operating system's standard library, hashlib."""
    messages = 'BO_ 256 Tick: 8 Node\n SG_ Value : 0|16@1+ (1,0) [0|0] "" Other\n'
    kit_of(tmp_path, messages)
    right = hashlib.sha256((tmp_path / "kit.dbc").read_bytes()).hexdigest()
    for stated, noted in ((right, []), (f"sha256:{right.upper()}", []), ("0" * 64, ["drive"])):
        spec = kit_of(tmp_path, messages, f"verified_on: {{descriptions: {{drive: {stated}}}}}\n")
        assert [note.bus for note in spec.notes if note.reason == "not_verified_on"] == noted
