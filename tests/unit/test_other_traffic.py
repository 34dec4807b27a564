"""Undescribed traffic on the first bus: its load, what comes and goes in it, and that it harms nobody."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.simulator.buses.frame_bits import INTERMISSION, wire_lengths
from canmap.simulator.cart.nodes import ordered
from canmap.simulator.cart.other_traffic import OtherLoad, OtherTraffic
from tests.buses import MS
from tests.simulated import databases, run, run_of, scenario_of, short_drive
from tests.streams import inspected, spec_of
from tests.unit.test_scenario_files import complaints

if TYPE_CHECKING:
    from pathlib import Path

SCRIPT, BRIEF = short_drive(3), short_drive(1)
DESCRIBED = {message.frame_id for message in databases()["can0"].messages} | set(range(0x7A0, 0x7B0))


def others(seed: int = 4, how: OtherLoad | None = None) -> OtherTraffic:
    return OtherTraffic(how or OtherLoad(60, 0.4), seed, {0x101, 0x102}, 500_000, 7)


@pytest.mark.parametrize("load", [0.3, 0.5])
def test_the_bus_is_as_full_as_the_scenario_says(tmp_path: Path, load: float) -> None:
    told = run_of(tmp_path, f"{SCRIPT}other_traffic: {{load: {100 * load:g} %}}\n")
    on_drive = told.chunk.take(told.chunk.channel == 0)
    strange = on_drive.take(~np.isin(on_drive.can_id, sorted(DESCRIBED)))
    nominal, _ = wire_lengths(strange)
    taken_s = float((nominal + INTERMISSION).sum()) * 2e-6
    assert taken_s / 3 == pytest.approx(load, rel=0.12)
    assert 50 <= len(set(strange.can_id.tolist())) <= 60  # an event may stay away for 3 s
    assert told.truth["other_traffic"] == {"identifiers": 60, "load": load}
    result, _ = inspected([told.chunk], spec_of())
    assert [finding.text for finding in result.findings if finding.severity != "note"] == []
    assert Counter(finding.kind for finding in result.findings)["unknown_id"] > 20


def test_some_come_and_go_and_some_are_events() -> None:
    traffic = others()
    sent = traffic.take(30_000 * MS)
    gaps = {
        can_id: np.diff(sent.t_ns[sent.can_id == can_id], prepend=0, append=30_000 * MS)
        for can_id in traffic.identifiers
    }
    counts = np.array([len(each) - 1 for each in gaps.values()])
    events = counts[7::8]
    assert len(events) == 7
    assert set(events.tolist()) <= {9, 10, 11}
    away = [can_id for can_id, each in gaps.items() if np.median(each) < 1100 * MS and each.max() > 2000 * MS]
    assert 3 <= len(away) <= 5  # sent in stretches
    assert len(set(sent.node.tolist())) == 6
    assert not {0x101, 0x102} & set(traffic.identifiers)


def test_pieces_and_seeds() -> None:
    whole, pieces = others().take(3000 * MS), others()
    cuts = [0, 1, 700 * MS, 700 * MS, 1999 * MS, 3000 * MS]
    together = ordered([pieces.take(cut) for cut in cuts])
    for one, other in zip(whole, together, strict=True):
        np.testing.assert_array_equal(one, other)
    assert others(5).identifiers != others(4).identifiers


def test_both_ways_of_running_send_the_same(tmp_path: Path) -> None:
    text = f"{BRIEF}other_traffic: {{identifiers: 20, load: 20 %}}\n"
    ahead, beside = (run(scenario_of(tmp_path, text), live=live) for live in (False, True))
    strange = set(ahead.chunk.can_id[ahead.chunk.channel == 0].tolist()) - DESCRIBED
    assert len(strange) > 15
    for can_id in strange:
        one, other = (each.chunk.payload[each.rows("can0", can_id)] for each in (ahead, beside))
        np.testing.assert_array_equal(one, other)


def test_a_shorted_bus_takes_the_strangers_too(tmp_path: Path) -> None:
    told = run_of(tmp_path, f"{BRIEF}other_traffic: {{}}\n", "{kind: bus_shorted, bus: drive, at: 0.5 s}")
    times = told.times(np.flatnonzero(told.chunk.channel == 0))
    assert 0.49 < times.max() < 0.51


def test_no_more_than_a_bus_can_carry(tmp_path: Path) -> None:
    (found,) = complaints(tmp_path, f"{SCRIPT}other_traffic: {{load: 90 %}}\n")
    assert found.endswith("Other traffic takes at most 80 % of the bus.")
