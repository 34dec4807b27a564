"""Runs with faults in other forms and surroundings than those by which a diagnosis was written.

`held_back.yaml` says what is in them. Whoever works on the diagnosis does not look at them, and changes
nothing for their sake: they tell how well it does on what it was not made for. A variant that was once used
to mend something belongs to `tests/fault_examples.py`, and another one here.

python -m tests.bench.held_back [SEEDS] [WORD OF A NAME...]

writes a capture of each, diagnoses it from the file, and prints how often the root is named alone, in a tie,
left open or wrong, and what else was named: by run, by root and by what fails. Every episode counts, as in
`tests/bench/diagnoses.py`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter, defaultdict
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import yaml

from canmap.api.diagnose import diagnose
from canmap.diagnosis.scoring import Decision
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.simulation import simulate_to_file
from tests.streams import CART, ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.scoring import Judgement
    from canmap.simulator.scenario.scenario import Scenario

TABLE = Path(__file__).with_suffix(".yaml")
SPECS = {"orchard_cart": CART, "garden_carrier": ROOT / "specs" / "garden_carrier" / "garden_carrier.yaml"}
OF_SCENARIO = ("duration", "vehicle", "computer", "other_traffic", "recorder")
# Which causes of the diagnosis are right for a root, as `tests/diagnosed.py` has them.
CAUSES = {
    "stop_pressed": "stop_button kit_unfed",
    "link_lost": "radio_link kit_unfed",
    "loop_chatter": "loop_opened kit_unfed",
    "loop_open": "loop_opened kit_unfed",
    "supply_cut": "supply_failed kit_unfed",
    "supply_sag": "supply_sag node_supply kit_unfed",
    "supply_sag, one node": "node_supply",
    "hand back": "computer_asked",
    "node_unplugged, the computer": "computer_stopped",
    "demand_absent": "demand_stopped",
    "bunched_demands": "demand_late",
    "demand_refused, counter": "counter_refused",
    "demand_refused, checksum": "checksum_refused",
    "two_senders": "two_sources two_nodes",
    "receiver_deaf": "receiver_deaf",
    "driver_override": "driver_took_over",
    "false_override": "torque_sensor",
    "press brake": "driver_braked",
    "node_restart": "node_restarted",
    "node_unplugged": "node_dead",
    "message_stopped": "task_stopped",
    "frozen_value": "old_values",
    "stuck_frame": "repeated_frames",
    "jammed_linkage": "axis_weak",
    "sensor_offset": "angle_offset",
    "railed_pedal": "sensors_apart",
    "babbling_node": "flood",
    "slow_recovery": "stub",
    "wiring": "wiring",
    "loose_connector": "wiring stub",
    "broken_branch": "branch node_dead",
    "bus_shorted": "bus_down",
    "identity_clash": "two_nodes",
    "gateway_restart": "gateway",
    "recorder_overload": "recorder_loss",
    "recorder_unplugged": "bus_not_recorded recording_stopped",
    "recorder_loose_plug": "recorder_plug",
    "host_stall": "recorder_stalled",
    "clock_step": "clock_set",
}
NOT_RECORDED = "recorder_setup"
COLUMNS = ("root", "tie", "undetermined", "wrong", "no episode")


class RootTruth(NamedTuple):
    """What is wrong.

    Attributes:
        root: A fault as `tests/fault_examples.py` names it, whose kind is that of the ground truth; or what
            the script ordered.
        tie_with: Kinds of fault that this capture does not tell from it.
    """

    root: str
    tie_with: tuple[str, ...]

    @property
    def kind(self) -> str:
        """The kind of fault, or what was ordered."""
        return self.root.partition(",")[0]


class Variant(NamedTuple):
    """A run but for its seed.

    Attributes:
        name: In words.
        group: What fails: a part of the vehicle, or of what records it.
        vehicle: Its folder in `specs`.
        script: The scenario.
        clean: The scenario of the same run without what is wrong.
        faults: The file of faults, None where what is wrong was ordered.
        channels: Of which the capture is handed on.
        truth: What is wrong.
    """

    name: str
    group: str
    vehicle: str
    script: str
    clean: str
    faults: str | None
    channels: tuple[str, ...]
    truth: RootTruth


class HeldBack(NamedTuple):
    """A run."""

    name: str
    vehicle: str
    scenario: Variant
    seed: int
    truth: RootTruth


@cache
def variants() -> tuple[Variant, ...]:
    """All variants, in the order of their table."""
    table = yaml.safe_load(TABLE.read_text(encoding="utf-8"))
    return tuple(_variant(row, table["trips"][row["trip"]]) for row in table["variants"])


def held_back(seeds: int) -> Iterator[HeldBack]:
    """Yield every variant with that many seeds."""
    for variant in variants():
        for seed in range(seeds):
            yield HeldBack(variant.name, variant.vehicle, variant, seed, variant.truth)


def loaded(folder: Path, variant: Variant, seed: int, *, clean: bool = False) -> Scenario:
    """Write a variant into a folder and load it; `clean`: without what is wrong."""
    script, faults = folder / "scenario.yaml", None
    script.write_text(variant.clean if clean else variant.script, encoding="utf-8")
    if variant.faults is not None and not clean:
        faults = folder / "faults.yaml"
        faults.write_text(variant.faults, encoding="utf-8")
    return load_scenario(str(script), None if faults is None else str(faults), seed)


def _variant(row: dict, trip: dict) -> Variant:
    name, vehicle, faults = row["name"], trip["vehicle"], row.get("faults")
    own = {key: row[key] for key in OF_SCENARIO if key in row}
    head = {"scenario": name, "spec": str(SPECS[vehicle]), "duration": trip["duration"]} | own
    lines = [*trip["script"], *row.get("script", [])]
    return Variant(
        name,
        row["group"],
        vehicle,
        _text(head | {"script": lines + row.get("ordered", [])}),
        _text(head | {"script": lines}),
        None if faults is None else _text({"faults": faults}),
        tuple(row.get("channels", ("can0", "can1") if vehicle == "orchard_cart" else ("can0",))),
        RootTruth(row["root"], tuple(row.get("tie_with", ()))),
    )


def _text(stated: dict) -> str:
    return yaml.safe_dump(stated, sort_keys=False)


class Outcome(NamedTuple):
    """How an episode, or a run without one, was diagnosed: one of `COLUMNS`, and what was named."""

    how: str
    named: tuple[str, ...]


def outcomes(run: HeldBack, folder: Path) -> list[Outcome]:
    """Write the capture of a run and diagnose every episode of it."""
    scenario, capture = loaded(folder, run.scenario, run.seed), folder / "run.log"
    written = simulate_to_file(scenario, str(capture), overwrite=True)
    captures = [str(capture)]
    if written.second_capture is not None and len(run.scenario.channels) > 1:
        captures.append(written.second_capture)
    found = diagnose(captures, str(SPECS[run.vehicle])).episodes
    whole = len(captures) == 1 + (written.second_capture is not None)
    return [judged_by(run.truth, one.judgement, whole=whole) for one in found] or [Outcome("no episode", ())]


def judged_by(truth: RootTruth, judgement: Judgement, *, whole: bool) -> Outcome:
    """Hold a judgement against the truth: who names one cause must name the root, a tie must have it.

    Of a capture that is not `whole`, a bus is missing, and it is right to say so of an episode.
    """
    named = tuple(one.cause.key for one in judgement.first)
    if judgement.decision is Decision.UNDETERMINED:
        return Outcome("undetermined", named)
    right = bool(set(named) & {*CAUSES[truth.root].split(), *(() if whole else (NOT_RECORDED,))})
    if judgement.decision is Decision.TIE:
        return Outcome("tie" if right else "wrong", named)
    return Outcome("root" if right else "wrong", named)


def print_table(found: dict[str, list[Outcome]]) -> None:
    """Print the outcomes by what they are of, and their shares."""
    width, whole = max(map(len, found)), Counter[str]()
    print(f"{'':{width}}" + "".join(f"{name:>14}" for name in COLUMNS) + "  not named rightly")
    for name, all_of_it in found.items():
        counts = Counter(one.how for one in all_of_it)
        whole += counts
        odd = Counter((one.how, " / ".join(one.named)) for one in all_of_it if one.how not in {"root", "tie"})
        said = "; ".join(f"{how}: {named or 'nothing'} ({n})" for (how, named), n in odd.most_common(4))
        print(f"{name:{width}}" + "".join(f"{counts[column]:>14}" for column in COLUMNS) + f"  {said}")
    print(f"{'all':{width}}" + "".join(f"{whole[column]:>14}" for column in COLUMNS))
    shares = ", ".join(f"{column} {100 * whole[column] / whole.total():.1f} %" for column in COLUMNS)
    print(f"{shares}\n")


def main(seeds: int, words: list[str]) -> None:
    """Diagnose the runs, those whose names have one of the words, or all."""
    tables: list[dict[str, list[Outcome]]] = [defaultdict(list) for _ in range(3)]
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for run in held_back(seeds):
            if words and not any(word in run.name for word in words):
                continue
            found = outcomes(run, Path(folder))
            for table, name in zip(tables, (run.name, run.truth.root, run.scenario.group), strict=True):
                table[name] += found
    for table in tables:
        print_table(table)
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(numbers[0] if numbers else 3, [word for word in sys.argv[1:] if not word.isdigit()])
