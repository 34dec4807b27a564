"""Runs with faults in other forms and surroundings than those by which a diagnosis was written.

`held_back.yaml` says what is in them. Whoever works on the diagnosis does not look at them, and changes
nothing for their sake: they tell how well it does on what it was not made for. A variant that was once used
to mend something belongs to `tests/fault_examples.py`, and another one here.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import yaml

from canmap.simulator.scenario.scenario import load_scenario
from tests.streams import CART, ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.simulator.scenario.scenario import Scenario

TABLE = Path(__file__).with_suffix(".yaml")
SPECS = {"orchard_cart": CART, "garden_carrier": ROOT / "specs" / "garden_carrier" / "garden_carrier.yaml"}
OF_SCENARIO = ("duration", "vehicle", "computer", "other_traffic", "recorder")


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
