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
from tests.diagnosed_drives import AHEAD, BEND, LANE, STEERED, STEP, STRAIGHT, TWO_BENDS, TWO_TURNS
from tests.simulated import scenario_of
from tests.streams import CART, ROOT, inspected, spec_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from canmap.diagnosis.diagnosis import EpisodeDiagnosis
    from canmap.diagnosis.scoring import Judgement
    from canmap.frames.chunks import FrameChunk


class Vehicle(NamedTuple):
    """A simulated vehicle.

    Attributes:
        spec: Its spec.
        scripts: Drives, one in a bend, one in two, one straight on, one in which the wheel steps.
        words: What its messages, nodes and signals are called.
    """

    spec: Path
    scripts: tuple[str, ...]
    words: Mapping[str, str]


VEHICLES = {
    "cart": Vehicle(
        CART,
        (BEND, TWO_BENDS, STRAIGHT, STEP),
        {
            "steer": "SteerFeedback", "brake": "BrakeFeedback", "drive": "DriveFeedback",
            "steer_demand": "SteerCommand", "drive_demand": "DriveCommand", "sum_demand": "BrakeCommand",
            "steer_node": "SteerNode", "brake_node": "BrakeNode", "drive_node": "DriveNode",
            "vehicle_node": "VehicleNode", "computer": "Computer", "bus": "drive", "angle": "Angle",
            "pedal": "PedalState.Throttle", "jump": "SteerFeedback.Angle", "slow": "BatteryState.Voltage",
            "shaft": "DriveFeedback.MotorSpeed",
        },
    ),
    "carrier": Vehicle(
        ROOT / "specs" / "garden_carrier" / "garden_carrier.yaml",
        (LANE, TWO_TURNS, AHEAD, STEERED),
        {
            "steer": "SteerReport", "brake": "WheelReport", "drive": "MoveReport",
            "steer_demand": "SteerRequest", "drive_demand": "MoveRequest", "sum_demand": "MoveRequest",
            "steer_node": "SteerUnit", "brake_node": "SteerUnit", "drive_node": "MoveUnit",
            "vehicle_node": "PowerUnit", "computer": "Guidance", "bus": "machine", "angle": "RoadAngle",
            "pedal": "CarrierState.HandBrake", "jump": "SteerReport.RoadAngle", "slow": "PowerState.Voltage",
            "shaft": "MoveReport.MotorTurns",
        },
    ),
}  # fmt: skip
SURROUNDINGS = (
    "",
    "recorder: {jitter: 200 us}\n",
    "other_traffic: {identifiers: 20, load: 10 %}\n",
    "computer: {withdraws_after: 300 ms}\n",
    "vehicle: {hold_up: no}\n",
)


class Fault(NamedTuple):
    """A simulated fault.

    Attributes:
        kind: Its kind in a fault file.
        more: Its parameters; `{rng[5:20]}` draws between 5 and 20, `{steer}` is a word of the vehicle.
        causes: The causes that are right; none: nothing may be named.
        span: Between how many seconds it lasts; None: to the end.
        at: Between which seconds it begins; None: it lasts from the first frame to the last.
        only: The vehicle that can have it, "" for each.
        drawn: Which of the scripts, by number.
        latent: It shows only some time after it began, so nothing tells when that was.
        deed: What somebody does instead of a fault, as in a line of a script.
    """

    kind: str
    more: str
    causes: frozenset[str]
    span: tuple[float, float] | None
    at: tuple[float, float] | None = (5.2, 8.2)
    only: str = ""
    drawn: tuple[int, ...] = (0, 1, 2)
    latent: bool = False
    deed: str = ""

    def line(self, vehicle: Vehicle, rng: np.random.Generator) -> str:
        """Its line in a fault file."""
        parts = [f"kind: {self.kind}"]
        parts += [f"at: {rng.uniform(*self.at):.4f} s"] if self.at else []
        parts += [f"for: {rng.uniform(*self.span):.4f} s"] if self.span else []
        parts += [self.more.format(rng=_Draw(rng), **vehicle.words)] if self.more else []
        return "{" + ", ".join(parts) + "}"


class Rated(NamedTuple):
    """How an episode, or a run without one, was diagnosed.

    Attributes:
        fault: Its name.
        seed: Of the run.
        how: "root", "tie", "undetermined", "wrong tie", "wrong" or "no episode".
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


class _Draw:
    """Numbers for a line: {rng[5:20]} draws between 5 and 20."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng

    def __getitem__(self, key: str) -> str:
        low, high = map(float, key.split(":"))
        return f"{self._rng.uniform(low, high):.2f}"


def _fault(
    kind: str, more: str, causes: str, span: tuple[float, float] | None = None, **options: object
) -> Fault:
    return Fault(kind, more, frozenset(causes.split()), span, **options)  # type: ignore[arg-type]


# On the carrier nothing tells of the stop chain; there the coarser cause is right.
UNFED = "kit_unfed"
BRIEFLY_UNFED = f"supply_failed supply_sag {UNFED}"
WHOLE: dict[str, object] = {"at": None}
BENDS: dict[str, object] = {"drawn": (0, 1)}
TURNING: dict[str, object] = {"drawn": (1,), "at": (5.2, 7.0), "latent": True}  # before the second bend
OF_CART: dict[str, object] = {"only": "cart"}
OF_CARRIER: dict[str, object] = {"only": "carrier"}
STEPPED: dict[str, object] = {"drawn": (3,), "latent": True}  # it shows only under load
FAULTS = {
    "message stopped": _fault("message_stopped", "message: {steer}", "task_stopped", (0.15, 1.5)),
    "brake message stopped": _fault("message_stopped", "message: {brake}", "task_stopped", (0.3, 1.5)),
    "frozen feedback": _fault("frozen_value", "message: {steer}", "old_values", (1.8, 3.0), drawn=(0,)),
    "node restart": _fault("node_restart", "node: {steer_node}", "node_restarted", (0.2, 1.5)),
    "brake node restart": _fault("node_restart", "node: {brake_node}", "node_restarted", (0.3, 1.5)),
    "drive node restart": _fault("node_restart", "node: {drive_node}", "node_restarted", (0.3, 1.5)),
    "node gone": _fault("node_restart", "node: {steer_node}", "node_dead"),
    "supply dip": _fault(
        "node_restart", "node: {steer_node}, supply_dip: {rng[5:10]} V", "node_supply", (0.2, 1.5)
    ),
    "supply cut": _fault("supply_cut", "", f"supply_failed {UNFED}", (0.5, 3.0)),
    "button": _fault("stop_pressed", "button: vehicle", f"stop_button {UNFED}"),
    "radio button": _fault("stop_pressed", "button: radio", f"stop_button {UNFED}", **OF_CART),
    "link lost": _fault("link_lost", "", f"radio_link {UNFED}", **OF_CART),
    "loop open": _fault("loop_open", "", f"loop_opened {UNFED}"),
    "loop chatter": _fault(
        "loop_chatter", "open_for: 30 ms, every: 900 ms", f"loop_opened {UNFED}", (2, 3), **OF_CART
    ),
    "demand late": _fault(
        "demand_late", "message: {steer_demand}, delay: {rng[105:300]} ms", "demand_late", (0.5, 2.0)
    ),
    "demand absent": _fault("demand_absent", "message: {steer_demand}", "demand_stopped", (0.15, 1.5)),
    "drive demand absent": _fault("demand_absent", "message: {drive_demand}", "demand_stopped", (0.15, 1.5)),
    "counter refused": _fault(
        "demand_refused", "message: {steer_demand}, because: counter", "counter_refused", (0.3, 2)
    ),
    "checksum refused": _fault(
        "demand_refused", "message: {sum_demand}, because: checksum", "checksum_refused", (0.3, 2)
    ),
    "enabled too early": _fault(
        "demand_refused",
        "message: {steer_demand}, because: level",
        "enabled_too_early",
        at=(0.3, 0.8),
        **OF_CART,
    ),
    "range refused": _fault(
        "demand_refused", "message: {steer_demand}, because: range", "range_refused", (0.4, 1.5)
    ),
    "jump refused": _fault(
        "demand_refused", "message: {steer_demand}, because: jump", "jump_refused", (0.4, 1.5), **OF_CART
    ),
    "override": _fault("driver_override", "torque: {rng[5:9]} Nm", "driver_took_over", (0.4, 1.5), **OF_CART),
    "false override": _fault(
        "false_override", "torque: {rng[5:7]} Nm", "torque_sensor", (0.4, 1.5), **OF_CART
    ),
    "inertia": _fault("false_override", "rim_mass: {rng[4.5:7]} kg", "torque_sensor", **STEPPED, **OF_CART),
    "kit fault": _fault("kit_fault", "axis: steering", "kit_fault", (1.0, 3.0)),
    "drive fault": _fault("kit_fault", "axis: drive", "kit_fault", (1.0, 3.0)),
    "angle offset": _fault("sensor_offset", "offset: {rng[12:30]} deg", "angle_offset", **BENDS, **OF_CART),
    "railed pedal": _fault("railed_pedal", "level: {rng[60:110]} %", "sensors_apart", (0.4, 2), **OF_CART),
    "sender loss": _fault("sender_loss", "message: {steer}, share: {rng[8:30]} %", "sender_loss", (2, 4)),
    "gateway loss": _fault("gateway_loss", "share: 100 %", "gateway", (0.3, 2), **OF_CART),
    "gateway loss, some": _fault("gateway_loss", "share: {rng[20:70]} %", "gateway", (1, 3), **OF_CART),
    "gateway overload": _fault("gateway_overload", "service: 60 ms", "gateway", (1, 2), **OF_CART),
    "gateway restart": _fault("gateway_restart", "", "gateway", (0.4, 1.5), **OF_CART),
    "recorder loss": _fault("recorder_loss", "share: {rng[5:20]} %", "recorder_loss", (2, 4)),
    "recorder overload": _fault(
        "recorder_overload", "rate: {rng[60:90]} Hz", "recorder_loss", (1, 2), latent=True, **OF_CARRIER
    ),
    "recorder overload, fast bus": _fault(
        "recorder_overload", "rate: {rng[250:350]} Hz", "recorder_loss", (1, 2), latent=True, **OF_CART
    ),
    "recorder gap": _fault("recorder_gap", "", "recording_stopped", (0.4, 3)),
    "one bus unplugged": _fault(
        "recorder_unplugged", "bus: {bus}", "bus_not_recorded recording_stopped", (0.4, 3)
    ),
    "recorder's plug loose": _fault("recorder_loose_plug", "bus: {bus}", "recorder_plug", (2, 4)),
    "recorder's plug very loose": _fault(
        "recorder_loose_plug", "bus: {bus}, every: {rng[100:300]} ms", "recorder_plug", (0.6, 3)
    ),
    "recorder's plug loose, other bus": _fault(
        "recorder_loose_plug", "bus: chassis, every: {rng[100:500]} ms", "recorder_plug", (2, 4), **OF_CART
    ),
    "host stall": _fault("host_stall", "", "recorder_stalled", (0.4, 2)),
    "host stall, no buffer": _fault("host_stall", "buffer: 0", "recording_stopped", (0.4, 2)),
    "clock forward": _fault("clock_step", "step: {rng[0.5:5]} s", "clock_set"),
    "clock back": _fault("clock_step", "step: -{rng[0.5:5]} s", "clock_set"),
    "clocks apart": _fault("clocks_apart", "offset: {rng[15:60]} ms", "clocks_apart", **OF_CART, **WHOLE),
    "babbling node": _fault("babbling_node", "identifier: 1", "flood", (0.3, 1.5)),
    "wiring": _fault("wiring", "share: {rng[15:40]} %", "wiring", (1.0, 2.5)),
    "wiring of a node": _fault("wiring", "share: {rng[60:95]} %, node: {steer_node}", "stub", (0.6, 2)),
    "no recovery": _fault("slow_recovery", "node: {steer_node}, delay: {rng[100:600]} ms", "stub", (0.3, 1)),
    "loose connector": _fault(
        "loose_connector", "behind: {vehicle_node}, every: 300 ms", "loose_plug stub wiring", (1, 2)
    ),
    "ground shift": _fault("ground_shift", "share: 40 %, above: 3 A", "wiring stub", (2, 3)),
    "broken branch": _fault("broken_branch", "behind: {vehicle_node}", "branch node_dead", (0.6, 1.5)),
    "broken line to a node": _fault(
        "broken_branch", "behind: {steer_node}", "branch stub", (0.6, 1.5), **OF_CART
    ),
    "bus shorted": _fault("bus_shorted", "bus: {bus}", "bus_down", (0.6, 1.5)),
    "bus dominant": _fault("bus_dominant", "bus: {bus}", "bus_down", (0.6, 1.5)),
    "node at a wrong rate": _fault("wrong_rate_node", "", "wrong_rate_node", (0.6, 1.5)),
    "two sources": _fault("two_senders", "message: {steer_demand}", "two_sources", (0.6, 2)),
    "two nodes": _fault("two_senders", "message: {steer}", "two_nodes", (0.6, 2)),
    "identity clash": _fault("identity_clash", "node: {steer_node}", "two_nodes", (0.6, 1.5)),
    "stuck frame": _fault("stuck_frame", "message: {steer}", "repeated_frames", (0.6, 1.5)),
    "sent twice": _fault("repeated_frames", "message: {steer}", "sent_twice", (0.6, 1.5)),
    "bunched demands": _fault("bunched_demands", "every: {rng[200:300]} ms", "demand_late", (1.0, 2.0)),
    "node unplugged": _fault("node_unplugged", "node: {steer_node}", "node_dead"),
    "computer unplugged": _fault("node_unplugged", "node: {computer}", "computer_stopped"),
    "sag of a lead": _fault(
        "supply_sag", "resistance: {rng[250:450]} mOhm, where: steering", "node_supply", **OF_CART, **STEPPED
    ),
    "sag of a long lead": _fault(
        "supply_sag",
        "resistance: {rng[700:1200]} mOhm, where: steering",
        "node_supply",
        **OF_CARRIER,
        **STEPPED,
    ),
    "sag of the supply": _fault(
        "supply_sag",
        "resistance: {rng[250:450]} mOhm",
        f"supply_sag node_supply {UNFED}",
        **OF_CART,
        **STEPPED,
    ),
    "sag of the carrier's supply": _fault(
        "supply_sag",
        "resistance: {rng[700:1200]} mOhm",
        f"supply_sag node_supply {UNFED}",
        **OF_CARRIER,
        **STEPPED,
    ),
    "deaf receiver": _fault("receiver_deaf", "message: {steer_demand}", "receiver_deaf", (0.4, 1.5)),
    "derating": _fault("derating", "within: 1 s", "axis_weak", **TURNING),
    "jammed": _fault("jammed_linkage", "", "axis_weak", **TURNING),
    "scale changed": _fault(
        "scale_changed", "signal: {steer}.{angle}, factor: {rng[2:4]}", "scale_changed angle_offset", **BENDS
    ),
    "computer hands back": _fault("", "", "computer_asked", deed="computer: hand back"),
    "computer hands one axis back": _fault(
        "", "", "computer_asked", deed="computer: hand back, axes: [steering]"
    ),
    "supply cut, brief": _fault("supply_cut", "", BRIEFLY_UNFED, (0.06, 0.12)),
    "loop open, brief": _fault("loop_open", "", f"loop_opened {BRIEFLY_UNFED}", (0.06, 0.12)),
    "counter leaves out": _fault(
        "demand_refused", "message: {steer_demand}, because: step", "counter_refused", (0.4, 2)
    ),
    "drive counter leaves out": _fault(
        "demand_refused", "message: {drive_demand}, because: step", "counter_refused", (0.4, 2)
    ),
    "computer away": _fault("node_unplugged", "node: {computer}", "computer_stopped", (0.6, 2)),
    "vehicle node unplugged": _fault("node_unplugged", "node: {vehicle_node}", "node_dead"),
    "supervisor unplugged": _fault("node_unplugged", "node: Supervisor", "node_dead", **OF_CART),
    "supervisor away": _fault(
        "node_unplugged", "node: Supervisor", "node_dead node_supply", (0.6, 1.5), **OF_CART
    ),
    "other bus shorted": _fault("bus_shorted", "bus: chassis", "bus_down", (0.6, 1.5), **OF_CART),
    "other bus dead": _fault("bus_dominant", "bus: chassis", "bus_down", **OF_CART),
    "bus dead": _fault("bus_shorted", "bus: {bus}", "bus_down", **OF_CART),
    "other bus unplugged": _fault(
        "recorder_unplugged", "bus: chassis", "bus_not_recorded", (0.6, 1.5), **OF_CART
    ),
    "jammed in a bend": _fault("jammed_linkage", "", "axis_weak", at=(4.3, 5.5), drawn=(0,), latent=True),
    "jammed for a while": _fault("jammed_linkage", "", "axis_weak", (4, 5), **TURNING),
    "sensor contact": _fault(
        "sensor_contact", "signal: {pedal}, share: 20 %, rail: high", "sensors_apart sensor_contact", (1, 2)
    ),
    "other period": _fault(
        "changed_settings", "firmware: 24, message: {brake}, period: 33 ms", "other_than_described", **WHOLE
    ),
    "never recorded": _fault("recorder_filter", "message: {brake}", "never_there", **WHOLE),
    "channels swapped": _fault("channels_swapped", "", "recorder_setup", **OF_CART, **WHOLE),
    "wrong bit rate": _fault("wrong_bit_rate", "bus: {bus}", "recorder_setup", **WHOLE),
    "wrong byte order": _fault("wrong_byte_order", "signal: {slow}", "other_than_described", **WHOLE),
    "wrong scale": _fault(
        "wrong_scale", "signal: {jump}, factor: {rng[8:12]}", "angle_described_otherwise", **BENDS, **WHOLE
    ),
    "wrong sign": _fault("wrong_sign", "signal: {jump}", "angle_described_otherwise", **BENDS, **WHOLE),
}

# What no check can see, for the reasons in `tests/found_faults.py`: nothing may be named.
UNSEEN = {
    "stale demand": _fault("stale_demand", "message: {steer_demand}", "", (1.0, 2.0)),
    "capture ends": _fault("capture_ends", "", ""),
    "wheel dropout": _fault("wheel_dropout", "wheel: RearLeft", ""),
    "other firmware": _fault("changed_settings", "firmware: 24", "", **WHOLE),
    "nothing": _fault("", "", "", **WHOLE),
}
ALL = FAULTS | UNSEEN


def possible(name: str, vehicle: str) -> bool:
    """Whether a vehicle can have a fault."""
    return ALL[name].only in {"", vehicle}


def run_fault(name: str, seed: int, folder: Path, vehicle: str = "cart") -> list[Rated]:
    """Simulate a fault and diagnose every episode of what was recorded."""
    fault, of = ALL[name], VEHICLES[vehicle]
    rng = np.random.default_rng([seed, *name.encode()])
    script = of.scripts[fault.drawn[seed % len(fault.drawn)]].format(spec=of.spec)
    seconds = f"duration: {rng.integers(13, 19)} s"
    around = SURROUNDINGS[int(rng.integers(len(SURROUNDINGS)))]
    script = script.replace("duration: 16 s", f"{seconds}\n{around}".rstrip())
    deed_s = round(rng.uniform(*fault.at), 4) if fault.deed and fault.at else 0.0
    script += f"  - {{at: {deed_s} s, {fault.deed}}}\n" if fault.deed else ""
    scenario = scenario_of(folder, script, fault.line(of, rng) if fault.kind else None, seed)
    found = diagnosed_of(recorded(scenario.setup), of.spec)
    start_ns = EPOCH_NS + (scenario.faults[0].start_ns if scenario.faults else round(deed_s * 1e9))
    if not found:
        return [Rated(name, seed, "no episode", (), None, start_ns)]
    return [Rated(name, seed, *rated(name, one.judgement), one, start_ns) for one in found]


def diagnosed_of(frames: Iterable[FrameChunk], path: Path = CART) -> list[EpisodeDiagnosis]:
    """Diagnose every episode of a recording."""
    chunks, spec = list(frames), spec_of(path)
    result, _ = inspected(chunks, spec)
    return [diagnosed(case) for case in case_files(chunks, episodes_of(result), result, spec)]


def rated(name: str, judgement: Judgement) -> tuple[str, tuple[str, ...]]:
    """How a judgement fares against the truth, and whom it names."""
    named = tuple(one.cause.key for one in judgement.first)
    if judgement.decision is Decision.UNDETERMINED:
        return "undetermined", named
    right = bool(set(named) & ALL[name].causes)
    if judgement.decision is Decision.TIE:
        return ("tie" if right else "wrong tie"), named
    return ("root" if right else "wrong"), named
