"""Simulated faults and their diagnoses: what varies from seed to seed, and which causes are true of each."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.api.diagnose import case_files
from canmap.diagnosis.diagnosis import diagnosed
from canmap.diagnosis.onsets import episodes_of
from canmap.diagnosis.scoring import Decision
from canmap.simulator.recorders import EPOCH_NS
from canmap.simulator.wires import recorded
from tests.simulated import scenario_of
from tests.streams import CART, inspected, spec_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from canmap.diagnosis.diagnosis import EpisodeDiagnosis
    from canmap.diagnosis.scoring import Judgement
    from canmap.frames.chunks import FrameChunk

BEND = """
scenario: A bend
spec: {spec}
duration: 16 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.1 s, operator: select, to: computer}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 1.5 s, computer: enable}}
  - {{at: 2 s, computer: drive, speed: 8 km/h}}
  - {{at: 4 s, computer: turn, angle: 200 deg, rate: 25 deg/s}}
"""
TWO_BENDS = BEND.replace("A bend", "Two bends").replace("angle: 200 deg", "angle: 140 deg") + (
    "  - {{at: 8 s, computer: turn, angle: -150 deg, rate: 40 deg/s}}\n"
)
STRAIGHT = "\n".join(line for line in BEND.splitlines() if "turn" not in line) + (
    "\n  - {{at: 1.2 s, driver: coast}}\n"
)
SCRIPTS = (BEND, TWO_BENDS, STRAIGHT)
MOVING = (BEND, TWO_BENDS)  # what shows only while the steering moves


class Fault(NamedTuple):
    """A simulated fault.

    Attributes:
        lines: Makes its line in a fault file, of a generator of chance.
        causes: The causes that are right.
        scripts: In which it can be seen.
    """

    lines: Callable[[np.random.Generator], str]
    causes: frozenset[str]
    scripts: tuple[str, ...] = SCRIPTS


class Rated(NamedTuple):
    """How an episode, or a run without one, was diagnosed.

    Attributes:
        fault: Its name.
        seed: Of the run.
        how: "root", "tie", "undetermined", "wrong" or "no episode".
        named: The causes that were named, the best first.
        diagnosis: All of it, None without an episode.
        start_ns: Stamp at which the fault began.
    """

    fault: str
    seed: int
    how: str
    named: tuple[str, ...]
    diagnosis: EpisodeDiagnosis | None
    start_ns: int = 0


def _at(rng: np.random.Generator, low: float = 5.2, high: float = 8.2) -> str:
    return f"at: {rng.uniform(low, high):.4f} s"


def _for(rng: np.random.Generator, low: float, high: float) -> str:
    return f"for: {rng.uniform(low, high):.4f} s"


def _fault(
    kind: str, more: str, causes: str, *, span: tuple[float, float] | None, **options: object
) -> Fault:
    def lines(rng: np.random.Generator) -> str:
        parts = [f"kind: {kind}", _at(rng)]
        parts += [_for(rng, *span)] if span else []
        parts += [more.format(rng=_Draw(rng))] if more else []
        return "{" + ", ".join(parts) + "}"

    return Fault(lines, frozenset(causes.split()), **options)  # type: ignore[arg-type]


class _Draw:
    """Numbers for a line: {rng[5:20]} draws between 5 and 20."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng

    def __getitem__(self, key: str) -> str:
        low, high = map(float, key.split(":"))
        return f"{self._rng.uniform(low, high):.2f}"


FAULTS = {
    "message stopped": _fault("message_stopped", "message: SteerFeedback", "task_stopped", span=(0.15, 1.5)),
    "brake message stopped": _fault(
        "message_stopped", "message: BrakeFeedback", "task_stopped", span=(0.3, 1.5)
    ),
    "frozen feedback": _fault(
        "frozen_value", "message: SteerFeedback", "old_values", span=(1.8, 3.0), scripts=(BEND,)
    ),
    "node restart": _fault("node_restart", "node: SteerNode", "node_restarted", span=(0.2, 1.5)),
    "brake node restart": _fault("node_restart", "node: BrakeNode", "node_restarted", span=(0.3, 1.5)),
    "drive node restart": _fault("node_restart", "node: DriveNode", "node_restarted", span=(0.3, 1.5)),
    "node gone": _fault("node_restart", "node: SteerNode", "node_dead", span=None),
    "supply dip": _fault(
        "node_restart", "node: SteerNode, supply_dip: {rng[5:10]} V", "node_supply", span=(0.2, 1.5)
    ),
    "supply cut": _fault("supply_cut", "", "supply_failed", span=(0.5, 3.0)),
    "button": _fault("stop_pressed", "button: vehicle", "stop_button", span=None),
    "radio button": _fault("stop_pressed", "button: radio", "stop_radio", span=None),
    "link lost": _fault("link_lost", "", "radio_link", span=None),
    "demand late": _fault(
        "demand_late", "message: SteerCommand, delay: {rng[105:300]} ms", "demand_late", span=None
    ),
    "demand absent": _fault("demand_absent", "message: SteerCommand", "demand_stopped", span=(0.15, 1.5)),
    "drive demand absent": _fault(
        "demand_absent", "message: DriveCommand", "demand_stopped", span=(0.15, 1.5)
    ),
    "counter refused": _fault(
        "demand_refused", "message: SteerCommand, because: counter", "counter_refused", span=(0.3, 2)
    ),
    "checksum refused": _fault(
        "demand_refused", "message: BrakeCommand, because: checksum", "checksum_refused", span=(0.3, 2)
    ),
    "enabled too early": Fault(
        lambda rng: f"{{kind: demand_refused, message: SteerCommand, because: level, {_at(rng, 0.3, 0.8)}}}",
        frozenset({"enabled_too_early"}),
    ),
    "override": _fault("driver_override", "torque: {rng[5:9]} Nm", "driver_took_over", span=(0.4, 1.5)),
    "false override": _fault("false_override", "torque: {rng[5:7]} Nm", "torque_sensor", span=(0.4, 1.5)),
    "loop open": _fault("loop_open", "", "loop_opened", span=None),
    "node unplugged": _fault("node_unplugged", "node: BrakeNode", "node_dead", span=None),
    "range refused": _fault(
        "demand_refused", "message: SteerCommand, because: range", "range_refused", span=(0.4, 1.5)
    ),
    "stuck frame": _fault("stuck_frame", "message: SteerFeedback", "repeated_frames", span=(0.6, 1.5)),
    "bunched demands": _fault("bunched_demands", "every: {rng[200:300]} ms", "demand_late", span=(1.0, 2.0)),
    "no recovery": _fault(
        "slow_recovery", "node: SteerNode, delay: {rng[100:600]} ms", "stub", span=(0.3, 1)
    ),
    "kit fault": _fault("kit_fault", "axis: steering", "kit_fault", span=(1.0, 3.0)),
    "drive fault": _fault("kit_fault", "axis: drive", "kit_fault", span=(1.0, 3.0)),
    "angle offset": _fault(
        "sensor_offset", "offset: {rng[12:30]} deg", "angle_offset", span=None, scripts=MOVING
    ),
    "railed pedal": _fault("railed_pedal", "level: {rng[60:110]} %", "sensors_apart", span=(0.4, 2)),
    "sender loss": _fault(
        "sender_loss", "message: SteerFeedback, share: {rng[8:30]} %", "sender_loss", span=(2, 4)
    ),
    "gateway loss": _fault("gateway_loss", "share: 100 %", "gateway", span=(0.3, 2)),
    "recorder loss": _fault("recorder_loss", "share: {rng[5:20]} %", "recorder_loss", span=(2, 4)),
    "recorder gap": _fault("recorder_gap", "", "recording_stopped", span=(0.4, 3)),
    "host stall": _fault("host_stall", "", "recorder_stalled", span=(0.4, 2)),
    "host stall, no buffer": _fault("host_stall", "buffer: 0", "recording_stopped", span=(0.4, 2)),
    "clock forward": _fault("clock_step", "step: {rng[0.5:5]} s", "clock_set", span=None),
    "clock back": _fault("clock_step", "step: -{rng[0.5:5]} s", "clock_set", span=None),
    "babbling node": _fault("babbling_node", "identifier: 1", "flood", span=(0.3, 1.5)),
    "wiring": _fault("wiring", "share: {rng[15:40]} %", "wiring", span=(1.0, 2.5)),
    "wiring of a node": _fault("wiring", "share: {rng[60:95]} %, node: SteerNode", "stub", span=(0.6, 2)),
    "two sources": _fault("two_senders", "message: SteerCommand", "two_sources", span=(0.6, 2)),
    "two nodes": _fault("two_senders", "message: SteerFeedback", "two_nodes", span=(0.6, 2)),
}

# Faults whose mechanism no row of the table is made for: what stands here may be named, or nothing.
BEYOND = {
    "supply sag": _fault("supply_sag", "resistance: 250 mOhm, where: steering", "node_supply", span=None),
    "loop chatter": _fault("loop_chatter", "open_for: 30 ms, every: 900 ms", "loop_opened", span=(2, 3)),
    "deaf receiver": _fault("receiver_deaf", "message: SteerCommand", "", span=(0.4, 1.5)),
    "stale demand": _fault("stale_demand", "message: SteerCommand", "", span=(1.0, 2.0)),
    "derating": _fault("derating", "within: 1 s", "", span=None),
    "jammed": _fault("jammed_linkage", "", "old_values", span=None),
    "wheel dropout": _fault("wheel_dropout", "wheel: RearLeft", "", span=None),
    "scale changed": _fault(
        "scale_changed", "signal: SteerFeedback.Angle, factor: 1.5", "angle_offset", span=None
    ),
    "sensor contact": _fault(
        "sensor_contact", "signal: PedalState.Throttle, share: 20 %, rail: high", "sensors_apart", span=(1, 2)
    ),
    "repeated": _fault(
        "repeated_frames", "message: SteerFeedback", "repeated_frames two_nodes", span=(0.6, 1.5)
    ),
    "gateway overload": _fault("gateway_overload", "service: 60 ms", "gateway", span=(1, 2)),
    "gateway restart": _fault("gateway_restart", "", "gateway", span=(0.4, 1.5)),
    "recorder overload": _fault("recorder_overload", "rate: 250 Hz", "recorder_loss", span=(1, 2)),
    "capture ends": _fault("capture_ends", "", "", span=None),
    "loose connector": _fault(
        "loose_connector", "behind: VehicleNode, every: 300 ms", "wiring stub", span=(1, 2)
    ),
    "ground shift": _fault("ground_shift", "share: 40 %, above: 3 A", "wiring stub", span=(2, 3)),
    "broken branch": _fault("broken_branch", "behind: VehicleNode", "node_dead", span=(0.6, 1.5)),
    "bus shorted": _fault("bus_shorted", "bus: drive", "wiring", span=(0.6, 1.5)),
    "node at a wrong rate": _fault("wrong_rate_node", "", "wiring", span=(0.6, 1.5)),
    "identity clash": _fault("identity_clash", "node: SteerNode", "two_nodes", span=(0.6, 1.5)),
}


def run_fault(name: str, seed: int, folder: Path) -> list[Rated]:
    """Simulate a fault and diagnose every episode of what was recorded."""
    fault = (FAULTS | BEYOND)[name]
    rng = np.random.default_rng([seed, *name.encode()])
    script = fault.scripts[seed % len(fault.scripts)].format(spec=CART)
    scenario = scenario_of(folder, script, fault.lines(rng), seed)
    found = diagnosed_of(recorded(scenario.setup))
    if not found:
        return [Rated(name, seed, "no episode", (), None)]
    start_ns = EPOCH_NS + scenario.faults[0].start_ns
    return [Rated(name, seed, *rated(name, one.judgement), one, start_ns) for one in found]


def diagnosed_of(frames: Iterable[FrameChunk]) -> list[EpisodeDiagnosis]:
    """Diagnose every episode of a recording of the cart."""
    chunks = list(frames)
    result, _ = inspected(chunks, spec_of())
    return [diagnosed(case) for case in case_files(chunks, episodes_of(result), result, spec_of())]


def rated(name: str, judgement: Judgement) -> tuple[str, tuple[str, ...]]:
    """How a judgement fares against the truth, and whom it names."""
    named = tuple(one.cause.key for one in judgement.first)
    if judgement.decision is Decision.UNDETERMINED:
        return "undetermined", named
    right = bool(set(named) & (FAULTS | BEYOND)[name].causes)
    if judgement.decision is Decision.TIE:
        return ("tie" if right else "wrong"), named
    return ("root" if right else "wrong"), named
