"""As which kinds of finding the checks find every fault of the simulator, and why they do not find some.

Both are about the examples of `tests/fault_examples.py`, in a drive of some length, by the cart's spec.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.loader import load_spec
from tests.fault_examples import EXAMPLES, TRIP
from tests.fault_witnesses import span_s, unseen
from tests.simulated import Run, run_of
from tests.streams import CART, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding

DURATION_S, LASTS_S = 9.0, 3.0

FOUND_AS: dict[str, set[str]] = {
    "message_stopped": {"stale"},
    "message_stopped, a demand": {"stale", "watchdog"},
    "frozen_value": {"frozen"},
    "node_restart": {"stale", "restart"},
    "node_restart, a dip": {"stale", "restart", "undervoltage"},
    "node_restart, for good": {"stale"},
    "supply_cut": {"stop_chain", "stale"},
    "stop_pressed": {"stop_chain", "stale"},
    "stop_pressed, by radio": {"stop_chain", "stale"},
    "link_lost": {"stop_chain", "stale"},
    "demand_late": {"stale"},
    "demand_absent": {"stale", "watchdog"},
    "demand_refused, counter": {"counter", "watchdog"},
    "demand_refused, checksum": {"checksum", "watchdog"},
    "demand_refused, range": {"out_of_range", "watchdog"},
    "demand_refused, jump": {"slew", "watchdog"},
    "driver_override": {"override"},
    "false_override": {"override"},
    "false_override, inertia": {"override"},
    "kit_fault": {"fault_reported"},
    "railed_pedal": {"disagree"},
    "sender_loss": {"loss"},
    "gateway_loss": {"loss"},
    "recorder_loss": {"loss"},
    "recorder_gap": {"recording_gap"},
    "host_stall": {"recording_gap"},
    "host_stall, no buffer": {"recording_gap"},
    "clock_step": {"time_order"},
    "babbling_node": {"stale"},
    "wiring": {"bus_error"},
    "wiring, one node": {"bus_error", "stale"},
    "two_senders": {"two_senders"},
    "loop_open": {"stop_chain", "stale"},
    "loop_chatter": {"stop_chain"},
    "supply_sag": {"stale", "restart", "undervoltage"},
    "supply_sag, one node": {"stale", "restart", "undervoltage"},
    "node_unplugged": {"stale"},
    "node_unplugged, the computer": {"stale", "watchdog"},
    "derating": {"tracking"},
    "jammed_linkage": {"tracking"},
    "stuck_frame": {"counter"},
    "repeated_frames": {"counter"},
    "scale_changed": {"slew"},
    "sensor_contact": {"out_of_range"},
    "changed_settings, a period": {"rate"},
    "bunched_demands": {"stale"},
    "gateway_overload": {"relay"},
    "gateway_restart": {"stale"},
    "recorder_overload": {"loss"},
    "recorder_unplugged": {"recording_gap"},
    "recorder_loose_plug": {"recording_gap", "loss"},
    "recorder_filter": {"missing"},
    "clocks_apart": {"relay"},
    "channels_swapped": {"missing"},
    "wrong_bit_rate": {"missing", "bus_error"},
    "slow_recovery": {"bus_error", "stale"},
    "slow_recovery, none": {"bus_error", "stale"},
    "loose_connector": {"bus_error"},
    "ground_shift": {"bus_error"},
    "broken_branch": {"stale"},
    "bus_shorted": {"stale"},
    "bus_dominant": {"stale"},
    "wrong_rate_node": {"bus_error"},
    "identity_clash": {"two_senders"},
    "wrong_sign": {"tracking"},
    "wrong_byte_order": {"out_of_range"},
}
NOT_FOUND = {
    "frozen_value, a demand": "a demand may stand still for as long as its sender wants",
    "stale_demand": "a demand may stand still for as long as its sender wants",
    "stale_demand, one": "a demand may stand still for as long as its sender wants",
    "demand_refused, level": "an enable bit that is set from the start asks for nothing",
    "sensor_offset": "the kit steers by that sensor, so what it reports is what it was asked for",
    "receiver_deaf": "the demands on the bus are right; what the kit does about them is for a diagnosis",
    "wheel_dropout": "0 km/h is a speed that a wheel may have",
    "changed_settings": "the firmware says so, and every value is within its range",
    "capture_ends": "no file says how long it should have been",
    "wrong_scale": "a wrong scale may stay within the range",
}


# Where the demand stands still when an offset comes or goes, the wheel is off it until the kit has turned it.
SOMETIMES: dict[str, set[str]] = {"sensor_offset": {"tracking"}}
# At 4.6 s every fault that lasts for some seconds is there, and the steering draws as much as it can.
MORE_BENDS = """\
  - {at: 3.2 s, computer: turn, angle: 250 deg, rate: 90 deg/s}
  - {at: 4.6 s, computer: step, angle: 100 deg}
  - {at: 6.2 s, computer: turn, angle: -100 deg, rate: 90 deg/s}
"""


def long_trip(folder: Path, example: str | None, seed: int) -> Run:
    """Drive for some seconds with an example, or without a fault; its begin depends on the seed."""
    fault = None
    if example is not None:
        fault = EXAMPLES[example].replace("for: 700 ms", f"for: {LASTS_S:g} s")
        fault = fault.replace("at: 1.9 s", f"at: {2 + 0.13 * (seed % 20):.2f} s")
    script = TRIP.replace("duration: 3 s", f"duration: {DURATION_S:g} s") + MORE_BENDS
    return run_of(folder, script, fault, seed)


def found_in(run: Run) -> list[Finding]:
    """What the checks find of a run."""
    return list(inspected([run.chunk], load_spec(str(CART)))[0].findings)


def wanted_kinds(run: Run, example: str) -> tuple[set[str], list[str]]:
    """As which kinds a fault has to be found in a run, and why it cannot be as the others that are stated."""
    reasons = {kind: unseen(run, kind) for kind in FOUND_AS.get(example, set())}
    return {kind for kind, why in reasons.items() if not why}, sorted(
        {why for why in reasons.values() if why}
    )


def kinds_while(run: Run, findings: list[Finding]) -> set[str]:
    """The kinds of those findings that are of the time of the only fault of a run, or soon after."""
    first_ns = int(run.chunk.t_ns[0])
    start_s, end_s = span_s(run)
    return {
        finding.kind.value
        for finding in findings
        if (finding.end_ns - first_ns) / 1e9 >= start_s and (finding.start_ns - first_ns) / 1e9 <= end_s
    }
