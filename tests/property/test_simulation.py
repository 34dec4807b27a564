"""Laws of the simulator: same seed, same bytes; cuts change nothing; its two ways agree; clean is clean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.frames.chunks import join
from canmap.outputs.captures.textfile import text_lines
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.wires import recorded, recorded_live
from tests.simulated import MS, SCENARIOS, run, scenario_of, short_drive
from tests.streams import inspected, spec_of

if TYPE_CHECKING:
    from pathlib import Path

SEEDS = (0, 7)  # tests/bench/clean_runs.py takes a hundred


def log(folder: Path, faults: str, seed: int) -> bytes:
    scenario = scenario_of(folder, short_drive(6), faults, seed)
    return b"".join(text_lines(chunk) for chunk in recorded(scenario.setup))


@pytest.mark.parametrize(
    "faults",
    [
        "{kind: sender_loss, message: SteerFeedback, share: 20 %, at: 2 s}",
        "{kind: wiring, share: 20 %, at: 2 s, for: 1 s}",
        "{kind: clock_step, step: -1 s, at: 3 s}",
    ],
)
def test_same_seed_same_bytes(tmp_path: Path, faults: str) -> None:
    first = log(tmp_path, faults, 3)
    assert log(tmp_path, faults, 3) == first
    assert log(tmp_path, faults, 4) != first


@pytest.mark.parametrize(
    "fault",
    [
        None,
        "{kind: supply_cut, at: 1.2034567 s, for: 301.3 ms}",
        "{kind: demand_late, message: SteerCommand, delay: 133.3 ms, at: 1.2034567 s, for: 301.3 ms}",
    ],
)
def test_live_comes_in_any_slices(tmp_path: Path, fault: str | None) -> None:
    def live(span_ns: int) -> tuple[np.ndarray, np.ndarray]:
        setup = scenario_of(tmp_path, short_drive(3), fault).setup
        whole = join([piece for piece in recorded_live(setup, span_ns) if len(piece)])
        order = np.lexsort((whole.can_id, whole.t_ns))
        return whole.t_ns[order], whole.payload[order]

    (few_ns, few), (many_ns, many) = live(1000 * MS), live(20 * MS)
    np.testing.assert_array_equal(few_ns, many_ns)
    np.testing.assert_array_equal(few, many)


def test_the_bus_ahead_and_the_bus_beside_agree(tmp_path: Path) -> None:
    ahead, beside = (run(scenario_of(tmp_path), live=live) for live in (False, True))
    assert len(ahead.chunk) == pytest.approx(len(beside.chunk), abs=2)
    # A demand may reach the kit a step of 10 ms earlier or later.
    for message, signal, allowed in (
        ("SteerFeedback", "Angle", 25 * 0.02 + 0.4),
        ("DriveFeedback", "Speed", 0.2),
        ("BrakeFeedback", "Pressure", 6.0),
        ("BatteryState", "Voltage", 0.2),
    ):
        one, other = ahead.heard(message), beside.heard(message)
        count = min(len(one), len(other))
        np.testing.assert_allclose(one.t_s[:count], other.t_s[:count], atol=0.001)
        np.testing.assert_allclose(one[signal][:count], other[signal][:count], atol=allowed)


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_run_without_faults_is_clean(path: Path) -> None:
    for seed in SEEDS:
        result, _ = inspected(recorded(load_scenario(str(path), seed=seed).setup), spec_of())
        assert [finding.text for finding in result.findings if finding.severity != "note"] == []
        assert result.capture.frames > 4000


def test_stamps_in_order_and_both_channels_there(tmp_path: Path) -> None:
    told = run(scenario_of(tmp_path))
    assert told.chunk.channels == ("can0", "can1")
    assert np.all(np.diff(told.chunk.t_ns) >= 0)
    assert len(told.heard("ChassisSteering", "can1")) == pytest.approx(
        len(told.heard("SteerFeedback")) / 4, abs=1
    )
