"""An example of every fault of the simulator, in one short drive, and how far the frames of two runs differ.

Whoever adds a kind of fault adds a row to `EXAMPLES`, and to `TIES` if no capture tells it from another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.chunks import FrameKind
from tests.simulated import Run, run, scenario_of
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk

# Enabled at 1.3 s; all axes move while the faults last, the wheel at its largest rate from 2.1 s on.
TRIP = f"""
scenario: A short trip
spec: {CART}
duration: 3 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.1 s, driver: shift, gear: forward}}
  - {{at: 1.3 s, computer: enable}}
  - {{at: 1.35 s, computer: drive, speed: 12 km/h}}
  - {{at: 1.5 s, computer: turn, angle: 100 deg, rate: 90 deg/s}}
  - {{at: 2.1 s, computer: step, angle: -250 deg}}
"""
WHILE = "at: 1.9 s, for: 700 ms"
STEER = "message: SteerCommand"
EXAMPLES = {
    "message_stopped": f"{{kind: message_stopped, message: SteerFeedback, {WHILE}}}",
    "message_stopped, a demand": f"{{kind: message_stopped, {STEER}, {WHILE}}}",
    "frozen_value": f"{{kind: frozen_value, message: SteerFeedback, {WHILE}}}",
    "frozen_value, a demand": f"{{kind: frozen_value, {STEER}, {WHILE}}}",
    "node_restart": f"{{kind: node_restart, node: SteerNode, {WHILE}}}",
    "node_restart, a dip": f"{{kind: node_restart, node: SteerNode, supply_dip: 8 V, {WHILE}}}",
    "node_restart, for good": "{kind: node_restart, node: SteerNode, at: 1.9 s}",
    "supply_cut": f"{{kind: supply_cut, {WHILE}}}",
    "stop_pressed": f"{{kind: stop_pressed, {WHILE}}}",
    "stop_pressed, by radio": f"{{kind: stop_pressed, button: radio, {WHILE}}}",
    "link_lost": f"{{kind: link_lost, {WHILE}}}",
    "demand_late": f"{{kind: demand_late, {STEER}, delay: 70 ms, {WHILE}}}",
    "demand_absent": f"{{kind: demand_absent, {STEER}, {WHILE}}}",
    "demand_refused, counter": f"{{kind: demand_refused, because: counter, {STEER}, {WHILE}}}",
    "demand_refused, checksum": f"{{kind: demand_refused, because: checksum, {STEER}, {WHILE}}}",
    "demand_refused, level": f"{{kind: demand_refused, because: level, {STEER}, at: 0 s}}",
    "demand_refused, range": f"{{kind: demand_refused, because: range, {STEER}, {WHILE}}}",
    "demand_refused, jump": f"{{kind: demand_refused, because: jump, {STEER}, {WHILE}}}",
    "driver_override": f"{{kind: driver_override, torque: 7 Nm, {WHILE}}}",
    "false_override": f"{{kind: false_override, torque: 7 Nm, {WHILE}}}",
    "false_override, inertia": "{kind: false_override, rim_mass: 5 kg, at: 1 s}",
    "kit_fault": f"{{kind: kit_fault, axis: steering, {WHILE}}}",
    "sensor_offset": f"{{kind: sensor_offset, offset: 10 deg, {WHILE}}}",
    "railed_pedal": f"{{kind: railed_pedal, level: 110 %, {WHILE}}}",
    "sender_loss": f"{{kind: sender_loss, message: SteerFeedback, share: 30 %, {WHILE}}}",
    "gateway_loss": f"{{kind: gateway_loss, share: 50 %, {WHILE}}}",
    "recorder_loss": f"{{kind: recorder_loss, share: 20 %, {WHILE}}}",
    "recorder_gap": f"{{kind: recorder_gap, {WHILE}}}",
    "host_stall": f"{{kind: host_stall, {WHILE}}}",
    "host_stall, no buffer": f"{{kind: host_stall, buffer: 0, {WHILE}}}",
    "clock_step": "{kind: clock_step, step: -2 s, at: 1.9 s}",
    "babbling_node": f"{{kind: babbling_node, identifier: 0x001, {WHILE}}}",
    "wiring": f"{{kind: wiring, share: 20 %, {WHILE}}}",
    "wiring, one node": f"{{kind: wiring, share: 100 %, node: SteerNode, {WHILE}}}",
    "two_senders": f"{{kind: two_senders, {STEER}, {WHILE}}}",
    "loop_open": f"{{kind: loop_open, {WHILE}}}",
    "loop_chatter": "{kind: loop_chatter, every: 100 ms, at: 1.9 s, for: 1 s}",
    "supply_sag": f"{{kind: supply_sag, resistance: 250 mOhm, {WHILE}}}",
    "supply_sag, one node": f"{{kind: supply_sag, resistance: 250 mOhm, where: steering, {WHILE}}}",
    "node_unplugged": "{kind: node_unplugged, node: SteerNode, at: 1.9 s}",
    "node_unplugged, the computer": f"{{kind: node_unplugged, node: Computer, {WHILE}}}",
    "receiver_deaf": f"{{kind: receiver_deaf, {STEER}, {WHILE}}}",
    "stale_demand": f"{{kind: stale_demand, {WHILE}}}",
    "stale_demand, one": f"{{kind: stale_demand, {STEER}, {WHILE}}}",
    "derating": "{kind: derating, within: 200 ms, at: 1.9 s}",
    "jammed_linkage": f"{{kind: jammed_linkage, {WHILE}}}",
    "stuck_frame": f"{{kind: stuck_frame, message: SteerFeedback, {WHILE}}}",
    "repeated_frames": f"{{kind: repeated_frames, message: SteerFeedback, {WHILE}}}",
    "scale_changed": f"{{kind: scale_changed, signal: SteerFeedback.Angle, factor: 10, {WHILE}}}",
    "sensor_contact": f"{{kind: sensor_contact, signal: PedalState.Throttle, share: 20 %, {WHILE}}}",
    "wheel_dropout": "{kind: wheel_dropout, wheel: RearLeft, at: 0 s}",
    "changed_settings": "{kind: changed_settings, firmware: 24}",
    "changed_settings, a period": (
        "{kind: changed_settings, firmware: 23, message: BrakeFeedback, period: 25 ms}"
    ),
    "bunched_demands": f"{{kind: bunched_demands, every: 100 ms, {WHILE}}}",
    "gateway_overload": f"{{kind: gateway_overload, service: 60 ms, {WHILE}}}",
    "gateway_restart": f"{{kind: gateway_restart, {WHILE}}}",
    "recorder_overload": f"{{kind: recorder_overload, rate: 300 Hz, {WHILE}}}",
    "recorder_unplugged": f"{{kind: recorder_unplugged, bus: drive, {WHILE}}}",
    "recorder_loose_plug": f"{{kind: recorder_loose_plug, bus: drive, every: 100 ms, {WHILE}}}",
    "recorder_filter": "{kind: recorder_filter, message: SteerFeedback}",
    "capture_ends": "{kind: capture_ends, at: 1.9 s}",
    "clocks_apart": "{kind: clocks_apart, offset: 20 ms}",
    "channels_swapped": "{kind: channels_swapped}",
    "wrong_bit_rate": "{kind: wrong_bit_rate, bus: drive}",
    "slow_recovery": "{kind: slow_recovery, node: SteerNode, delay: 300 ms, at: 1.9 s, for: 20 ms}",
    "slow_recovery, none": f"{{kind: slow_recovery, node: SteerNode, {WHILE}}}",
    "loose_connector": f"{{kind: loose_connector, behind: BrakeNode, every: 200 ms, {WHILE}}}",
    "ground_shift": f"{{kind: ground_shift, share: 30 %, above: 10 A, node: DriveNode, {WHILE}}}",
    "broken_branch": f"{{kind: broken_branch, behind: SteerNode, {WHILE}}}",
    "bus_shorted": f"{{kind: bus_shorted, bus: drive, {WHILE}}}",
    "bus_dominant": f"{{kind: bus_dominant, bus: drive, {WHILE}}}",
    "wrong_rate_node": f"{{kind: wrong_rate_node, {WHILE}}}",
    "identity_clash": f"{{kind: identity_clash, node: SteerNode, {WHILE}}}",
    "wrong_scale": "{kind: wrong_scale, signal: DriveFeedback.MotorSpeed, factor: 12}",
    "wrong_sign": "{kind: wrong_sign, signal: SteerFeedback.Angle}",
    "wrong_byte_order": "{kind: wrong_byte_order, signal: BatteryState.Voltage}",
}  # fmt: skip
# Examples that no capture can tell apart; `tie_with` in the truth of each names the kind of the other.
# tests/carrier_examples.py has what the carrier cannot tell besides.
TIES = (
    {"message_stopped, a demand", "demand_absent"},
    {"frozen_value, a demand", "stale_demand, one"},
    {"recorder_gap", "host_stall, no buffer"},
    {"node_restart, for good", "node_unplugged"},
    {"wiring, one node", "slow_recovery, none"},
)
# Tied, but with no example here: tests/unit/test_ties.py has what is the same as they.
TIED_OTHERWISE = {"capture_ends"}
NEAR_NS = 4_000_000  # two frames further apart are not the same one
MOVED_NS = 300_000  # and by more than this, it came at another time


def kind_of(example: str) -> str:
    """The kind of fault that an example is of."""
    return example.split(",", maxsplit=1)[0]


class Trip(NamedTuple):
    """What was recorded, and the same by channel and identifier: int64[n] stamps, uint64[n] payloads."""

    run: Run
    frames: dict[tuple[str, int], tuple[np.ndarray, np.ndarray]]

    @property
    def fault(self) -> dict:
        """Its truth."""
        return self.run.fault


def trip_of(folder: Path, example: str | None, seed: int) -> Trip:
    """Run the trip with an example, or without a fault."""
    return driven(folder, TRIP, None if example is None else EXAMPLES[example], seed)


def driven(folder: Path, script: str, fault: str | None, seed: int) -> Trip:
    """Run a script with a fault or without, its buses step by step, as they are with most faults.

    The computer then knows the speed from the bus; else runs would differ in what no fault has a part in.
    """
    scenario = scenario_of(folder, script, fault, seed)
    scenario.setup.plan.live = True
    told = run(scenario)
    return Trip(told, by_message(told.chunk))


def by_message(whole: FrameChunk) -> dict[tuple[str, int], tuple[np.ndarray, np.ndarray]]:
    """Stamps and payloads by channel and identifier, -1 for error frames."""
    wide = np.zeros((len(whole), 8), np.uint8)
    wide[:, : whole.payload.shape[1]] = whole.payload[:, :8]
    words = np.ascontiguousarray(wide).view(np.uint64).ravel()
    ids = np.where(whole.kind == FrameKind.ERROR, -1, whole.can_id.astype(np.int64))
    found = {}
    for channel, name in enumerate(whole.channels):
        of_channel = whole.channel == channel
        for can_id in np.unique(ids[of_channel]).tolist():
            rows = np.flatnonzero(of_channel & (ids == can_id))
            rows = rows[np.argsort(whole.t_ns[rows], kind="stable")]
            found[name, can_id] = whole.t_ns[rows], words[rows]
    return found


class Distance(NamedTuple):
    """How many frames of a message differ between two runs.

    Attributes:
        only: There is none of the other run near.
        payload: The one near says something else.
        time: The one near came at another time, by more than the bus does.
        count: Frames of both runs.
    """

    only: int
    payload: int
    time: int
    count: int

    @property
    def differing(self) -> int:
        """How many differ."""
        return self.only + self.payload + self.time

    @property
    def share(self) -> float:
        """Of the frames, those that differ."""
        return self.differing / self.count


NOTHING = (np.zeros(0, np.int64), np.zeros(0, np.uint64))


def distances(one: Trip, other: Trip) -> dict[tuple[str, int], Distance]:
    """How far two runs are apart, by channel and identifier, -1 for error frames; without what is equal."""
    told = {}
    for key in sorted({*one.frames, *other.frames}):
        first, second = one.frames.get(key, NOTHING), other.frames.get(key, NOTHING)
        there, back = one_way(first, second), one_way(second, first)
        if any((*there, *back)):
            count = len(first[0]) + len(second[0])
            told[key] = Distance(*(a + b for a, b in zip(there, back, strict=True)), count)
    return told


def one_way(first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray]) -> tuple[int, ...]:
    times, words = first
    other_times, other_words = second
    if not len(times) or not len(other_times):
        return len(times), 0, 0
    after = np.minimum(np.searchsorted(other_times, times), len(other_times) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.where(np.abs(other_times[after] - times) < np.abs(times - other_times[before]), after, before)
    apart = np.abs(other_times[nearer] - times)
    near = apart <= NEAR_NS
    payload = near & (other_words[nearer] != words)
    return int((~near).sum()), int(payload.sum()), int((near & ~payload & (apart > MOVED_NS)).sum())
