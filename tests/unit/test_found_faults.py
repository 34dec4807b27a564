"""Simulated faults are found as what they are, at their time; the rest is not found for a stated reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.findings.finding import Severity
from tests.fault_examples import EXAMPLES
from tests.found_faults import FOUND_AS, NOT_FOUND, found_in, kinds_while, long_trip, wanted_kinds
from tests.simulated import run_of, short_drive

if TYPE_CHECKING:
    from pathlib import Path

SEED = 3
QUICK = (
    *("frozen_value", "node_restart, a dip", "kit_fault", "jammed_linkage"),
    *("gateway_loss", "recorder_loose_plug", "clocks_apart"),
)


def test_each_example_is_found_or_has_a_reason() -> None:
    assert {*FOUND_AS, *NOT_FOUND} == {*EXAMPLES}
    assert not {*FOUND_AS} & {*NOT_FOUND}


@pytest.mark.parametrize("example", QUICK)
def test_it_is_found_as_what_it_is(example: str, tmp_path: Path) -> None:
    run = long_trip(tmp_path, example, SEED)
    assert kinds_while(run, found_in(run)) >= FOUND_AS[example] == wanted_kinds(run, example)[0]


@pytest.mark.parametrize("example", ["two_senders", "identity_clash"])
def test_what_two_senders_do_is_told_with_them(example: str, tmp_path: Path) -> None:
    """With this seed the counters of both are in step: `two_senders` is told by what the frames say."""
    findings = found_in(long_trip(tmp_path, example, SEED))
    assert {one.kind for one in findings if one.severity is not Severity.NOTE} == {"two_senders"}


@pytest.mark.parametrize("example", ["wheel_dropout", "changed_settings", "wrong_scale"])
def test_it_is_not_found(example: str, tmp_path: Path) -> None:
    findings = found_in(long_trip(tmp_path, example, SEED))
    assert [one.text for one in findings if one.severity is not Severity.NOTE] == []


def test_a_fault_of_which_no_frame_shows_anything_is_not_asked_for(tmp_path: Path) -> None:
    """The same supply sags only under load: where the wheel is not turned quickly, no frame tells of it."""
    run = run_of(tmp_path, short_drive(6), "{kind: supply_sag, resistance: 250 mOhm, at: 2.2 s, for: 1 s}", 3)
    kinds, reasons = wanted_kinds(run, "supply_sag")
    assert (kinds, len(reasons)) == (set(), 3)
    assert [one.text for one in found_in(run) if one.severity is not Severity.NOTE] == []
