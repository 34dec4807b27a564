"""The runs that are held back from the diagnosis: each is a fair question with an answer.

A few with one seed; all of them, with two, where the tests marked deep run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.simulator.scenario.script import DEEDS
from tests.bench.held_back import CAUSES, Variant, held_back, loaded, variants
from tests.fault_examples import EXAMPLES, Trip, by_message, distances
from tests.simulated import run

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.simulator.scenario.scenario import Scenario
    from tests.simulated import Run

FEW = (
    "the e-stop of a carrier that is driven by hand",
    "a driver's foot on the brake as it speeds up",
)
LEAST_DIFFERING = 10  # frames


def test_there_are_runs_of_both_vehicles_and_of_all_that_can_fail() -> None:
    table = variants()
    assert len({variant.name for variant in table}) == len(table) == 46
    assert {variant.group for variant in table} == {
        *("stop chain", "supply", "demands", "override", "node", "sensors", "bus", "wiring", "recorder"),
    }
    vehicles = [variant.vehicle for variant in table]
    assert min(vehicles.count("orchard_cart"), vehicles.count("garden_carrier")) >= 18
    assert [each.seed for each in held_back(2)] == [0, 1] * len(table)


def test_roots_have_names_that_are_in_use() -> None:
    ordered = {name for deeds in DEEDS.values() for name in deeds}
    for variant in variants():
        root = variant.truth.root
        assert root in (ordered if variant.faults is None else EXAMPLES), variant.name
        assert root in CAUSES
        assert set(variant.truth.tie_with) <= set(FAULT_KINDS)


def clean_twin(folder: Path, variant: Variant, seed: int, faulty: Scenario) -> Run:
    """The same run without what is wrong, on a bus that is run in the same way."""
    scenario, plan = loaded(folder, variant, seed, clean=True), faulty.setup.plan
    scenario.setup.plan.live = bool(plan.live or plan.disturbances or plan.splits or plan.chassis_splits)
    return run(scenario)


def assert_fair(folder: Path, variant: Variant, seed: int) -> None:
    """Its truth is there, and frames that are handed on tell of it."""
    scenario = loaded(folder, variant, seed)
    told = run(scenario)
    if variant.faults is None:
        chains = [line["chain"] for line in told.truth["script"] if "chain" in line]
        assert variant.truth.kind in {chain[0]["reason"] for chain in chains}
    for fault in told.truth["faults"]:
        assert fault["kind"] == variant.truth.kind
        assert set(fault["tie_with"]) <= {variant.truth.kind, *variant.truth.tie_with}
    clean = clean_twin(folder, variant, seed, scenario)
    apart = distances(Trip(clean, by_message(clean.chunk)), Trip(told, by_message(told.chunk)))
    differing = {key: each.differing for key, each in apart.items() if key[0] in variant.channels}
    assert sum(differing.values()) >= LEAST_DIFFERING, variant.name


@pytest.mark.parametrize("name", FEW)
def test_a_run_differs_from_the_same_one_without_what_is_wrong(tmp_path: Path, name: str) -> None:
    (variant,) = (each for each in variants() if each.name == name)
    assert_fair(tmp_path, variant, 0)


@pytest.mark.deep
@pytest.mark.parametrize("seed", [1, 2])
def test_every_run_differs_from_the_same_one_without_what_is_wrong(tmp_path: Path, seed: int) -> None:
    for variant in variants():
        assert_fair(tmp_path, variant, seed)
