"""Of what a cause is told: the names that the evidence it rests on gives."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.diagnosis.facts.case_file import CaseFile
from canmap.diagnosis.telling.episode_page import statement
from tests.diagnosed import run_fault

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.diagnosis.diagnosis import EpisodeDiagnosis

GONE = "A node is gone: dead, unplugged, or without supply"
STOPPED = "A node stopped sending one message; the node itself went on"


def unplugged(vehicle: str, folder: Path) -> EpisodeDiagnosis:
    (one,) = run_fault("vehicle node unplugged", 1, folder, vehicle)
    assert one.diagnosis is not None
    return one.diagnosis


def told(one: EpisodeDiagnosis) -> list[str]:
    return [statement(scored, one) for scored in one.judgement.first]


def test_a_node_that_sends_one_message_is_named_with_it(tmp_path: Path) -> None:
    """A message that stopped is named alone, as its node may have gone on."""
    one = unplugged("carrier", tmp_path)
    assert told(one) == [f"{GONE} (PowerUnit, the sender of PowerState).", f"{STOPPED} (PowerState)."]


def test_where_the_description_says_no_sender_the_message_is_named(tmp_path: Path) -> None:
    one = unplugged("carrier", tmp_path)
    case = one.case
    rules = [replace(rule, sender=None) for rule in case.rules]
    unnamed = CaseFile(case.span, case.window, case.result, case.spec, case.plan, rules)
    assert told(replace(one, case=unnamed)) == [f"{GONE} (PowerState).", f"{STOPPED} (PowerState)."]


def test_a_node_that_sends_several_is_named_alone(tmp_path: Path) -> None:
    assert told(unplugged("cart", tmp_path)) == [f"{GONE} (VehicleNode)."]
