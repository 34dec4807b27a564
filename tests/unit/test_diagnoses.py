"""Simulated faults get their causes, ambiguous ones are ties; what is taken away weighs nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.diagnosis.diagnosis import without
from canmap.diagnosis.facts.atoms import lacking
from canmap.diagnosis.facts.evidence import Atom
from canmap.diagnosis.facts.missed_together import by_bus, frames_of
from canmap.diagnosis.onsets import OnsetKind
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.telling.evidence_words import headline
from canmap.diagnosis.telling.strip import BAD, strip_of
from canmap.frames.chunks import join
from canmap.simulator.recorders import EPOCH_NS
from canmap.simulator.wires import recorded
from tests.diagnosed import VEHICLES, diagnosed_of, run_fault
from tests.diagnosed_drives import BEND
from tests.simulated import scenario_of
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

# Truth: what the simulator did, by `tests/diagnosed.py`; only faults that are simulated quickly.
HOW = {
    "message stopped": {"root"},
    "supply dip": {"root"},
    "node restart": {"root", "tie"},
    "supply cut": {"tie"},
    "link lost": {"root"},
    "override": {"root", "tie"},
    "inertia": {"root"},
    "kit fault": {"root"},
    "recorder gap": {"root"},
    "recorder's plug loose": {"root"},
    "recorder's plug very loose": {"root"},
    "host stall": {"root"},
    "gateway loss": {"root"},
    "bus shorted": {"root"},
    "broken branch": {"root"},
    "deaf receiver": {"root"},
    "sent twice": {"root"},
    "counter leaves out": {"root"},
    "other bus shorted": {"tie"},
    "wrong bit rate": {"root"},
}


@pytest.mark.parametrize("name", HOW)
def test_a_simulated_fault_gets_its_cause(name: str, tmp_path: Path) -> None:
    for one in run_fault(name, 1, tmp_path):
        assert one.how in HOW[name], one.named
        if one.diagnosis is not None:  # what the page calls it by lies between the moments that it tells
            low_ns, high_ns = one.diagnosis.begins_ns
            assert low_ns <= one.diagnosis.seen_ns <= high_ns


@pytest.mark.parametrize(("name", "seed"), [("recorder loss", 1), ("two nodes", 2)])
def test_a_fault_of_frames_began_between_the_moments_told(name: str, seed: int, tmp_path: Path) -> None:
    """Truth: when the simulator began it, of seeds in which its first sign comes within a sample."""
    one = run_fault(name, seed, tmp_path)[0]
    assert one.diagnosis is not None
    low_ns, high_ns = one.diagnosis.begins_ns
    assert low_ns <= one.start_ns <= high_ns


@pytest.mark.parametrize(
    ("name", "here_and_there"), [("recorder's plug loose", False), ("recorder loss", True)]
)
def test_what_is_missing_together_is_told_from_what_is_missing_here_and_there(
    name: str, here_and_there: bool, tmp_path: Path
) -> None:
    """Truth: behind the plug, which opens once in 500 ms, all is missing; the other loses any frame."""
    (one,) = run_fault(name, 2, tmp_path)
    assert one.diagnosis is not None
    case = one.diagnosis.case
    moments, came = by_bus(case).get("drive", ()), frames_of(case, "drive")
    values = {evidence.value for evidence in one.diagnosis.evidence}
    assert ("holes" in values) is here_and_there
    assert ("bus_for_moments" in values) is bool(moments) is not here_and_there
    assert len(moments) <= (case.end_ns - case.begin_ns) / 500e6 + 2
    for moment in moments:
        assert moment.length_ns < 200e6 + 20e6  # the bus is free between two frames for 10 ms at most
        assert not ((moment.from_ns < came) & (came < moment.to_ns)).any()


def test_taking_the_stop_chain_away_leaves_who_stopped_it_open(tmp_path: Path) -> None:
    """Without buttons, link and loop nothing tells who let the relay go, only what fell silent."""
    (one,) = run_fault("button", 2, tmp_path)
    assert one.diagnosis is not None
    assert one.how == "root"
    judgement = without(one.diagnosis, {Atom.STOP_CHAIN})
    assert [scored.cause.key for scored in judgement.first] == ["kit_unfed", "branch"]
    assert one.diagnosis.span.kinds[0] is OnsetKind.SILENT
    assert [lack.atom for lack in lacking(one.diagnosis.case)] == [Atom.BUS]
    # What happened comes in its order, and the button is pressed before the relay lets go.
    values = [evidence.value for evidence in one.diagnosis.chain]
    assert values.index("pressed") < values.index("cut")


@pytest.mark.parametrize(("name", "strains"), [("jammed", True), ("frozen feedback", False)])
def test_a_motor_that_pulls_while_the_angle_stands_is_held(name: str, strains: bool, tmp_path: Path) -> None:
    """A sensor that stands while the wheel turns shows no more current than turning takes."""
    (one,) = run_fault(name, 1, tmp_path)
    assert one.how == "root"
    assert one.diagnosis is not None
    assert any(evidence.value == "strains" for evidence in one.diagnosis.evidence) is strains


@pytest.mark.parametrize(("name", "stood"), [("frozen feedback", True), ("derating", False)])
def test_an_angle_whose_last_bits_stand_is_old(name: str, stood: bool, tmp_path: Path) -> None:
    """In the first the demand ends its turn a moment later: the angle stays only a little behind it."""
    (one,) = run_fault(name, 2006, tmp_path, "carrier")
    assert one.how == "root"
    assert one.diagnosis is not None
    assert any(evidence.value == "last_bits_stood" for evidence in one.diagnosis.evidence) is stood


def test_an_opening_of_the_stop_loop_that_only_an_event_tells_is_named(tmp_path: Path) -> None:
    """Its samples say that it was closed throughout; a contact may have been loose before it first opened."""
    (one,) = run_fault("loop chatter", 2004, tmp_path)
    assert (one.how, one.named) == ("root", ("loop_opened",))
    assert one.diagnosis is not None
    low_ns, high_ns = one.diagnosis.begins_ns
    assert low_ns <= one.start_ns <= high_ns


@pytest.mark.parametrize(
    ("name", "seed", "longest_ms"),
    [("gateway loss, some", 2002, 700), ("button", 2000, 50), ("radio button", 2007, 100)],
)
def test_an_episode_began_between_the_moments_told(
    name: str, seed: int, longest_ms: int, tmp_path: Path
) -> None:
    """A first silence that is only the longest of scattered losses; a button that is told behind the loop
    that it opens; one that the frame before held back."""
    one = run_fault(name, seed, tmp_path)[0]
    assert one.diagnosis is not None
    low_ns, high_ns = one.diagnosis.begins_ns
    assert low_ns <= one.start_ns <= high_ns
    assert high_ns - low_ns <= longest_ms * 1_000_000


@pytest.mark.parametrize(
    ("vehicle", "fault", "starts_ms"),
    [
        ("cart", "kind: node_unplugged, node: Computer", (6_500, 8_400)),
        ("carrier", "kind: node_restart, node: SteerUnit, supply_dip: 8 V", (5_270, 7_570)),
    ],
)
def test_an_episode_does_not_reach_back_into_an_earlier_one(
    vehicle: str, fault: str, starts_ms: tuple[int, int], tmp_path: Path
) -> None:
    """Axes let go in the first and are not taken back, so that none lets go in the second."""
    of = VEHICLES[vehicle]
    faults = "\n  - ".join(f"{{{fault}, for: 700 ms, at: {at_ms} ms}}" for at_ms in starts_ms)
    scenario = scenario_of(tmp_path, of.scripts[0].format(spec=of.spec), faults, 4)
    found = diagnosed_of(recorded(scenario.setup), of.spec)
    for one, at_ms in zip(found, starts_ms, strict=True):
        low_ns, high_ns = one.begins_ns
        assert low_ns <= EPOCH_NS + at_ms * 1_000_000 <= high_ns


def test_a_node_that_nobody_hears_goes_on(tmp_path: Path) -> None:
    """Alone behind an open line it sends its newest frames as that closes, the next in their old beat."""
    (one,) = run_fault("broken line to a node", 1, tmp_path)
    assert (one.how, set(one.named)) == ("tie", {"branch", "stub"})
    assert one.diagnosis is not None
    assert {"kept", "skipped"} <= {evidence.value for evidence in one.diagnosis.evidence}


HANDED_BACK = BEND.format(spec=CART) + "  - {at: 8.20 s, computer: hand back}\n"


def test_a_computer_that_withdraws_is_a_consequence_of_the_silence_before(tmp_path: Path) -> None:
    """The feedback fell silent first, then the computer took its demands back, then the axes let go."""
    silent = "{kind: message_stopped, message: SteerFeedback, at: 7.8 s, for: 900 ms}"
    (one,) = diagnosed_of(recorded(scenario_of(tmp_path, HANDED_BACK, silent, 4).setup))
    assert one.judgement.decision is Decision.ROOT
    assert one.judgement.first[0].cause.key == "task_stopped"
    assert [scored.cause.key for scored in one.judgement.follows] == ["computer_withdrew"]
    values = [evidence.value for evidence in one.chain]
    assert values == sorted(values, key=["one_message", "withdrawn", "let_go"].index)
    # The steering tells only with its next feedback, half a second later, that it is not active any more.
    assert headline(one.span) == "messages fell silent and the computer handed an axis back"


def test_axes_that_the_computer_hands_back_in_a_longer_episode_did_not_let_go(tmp_path: Path) -> None:
    silent = "{kind: message_stopped, message: PedalState, at: 7.8 s, for: 900 ms}"
    (one,) = diagnosed_of(recorded(scenario_of(tmp_path, HANDED_BACK, silent, 4).setup))
    assert one.span.kinds == (OnsetKind.SILENT, OnsetKind.HANDED_BACK)
    assert headline(one.span) == "messages fell silent and the computer handed an axis back"


@pytest.mark.parametrize("seed", [1, 2009])
def test_a_cut_that_nodes_live_through_is_of_their_supply(seed: int, tmp_path: Path) -> None:
    """The carrier tells of no stop chain; its nodes are silent for less than anything that is stale.

    In the second its drive node is back within a period: it says that its axes, which ran, are off.
    """
    (one,) = run_fault("supply cut, brief", seed, tmp_path, "carrier")
    assert one.how == "tie"
    assert one.named[0] in {"supply_sag", "kit_unfed"}


@pytest.mark.parametrize(("seed", "reach"), [(2000, "node"), (2015, "message_or_node")])
def test_a_node_with_one_cyclic_message_began_anew(seed: int, reach: str, tmp_path: Path) -> None:
    """It missed a heartbeat, or was back before one and sent, unasked, what it sends on a change only."""
    (one,) = run_fault("supervisor away", seed, tmp_path)
    assert one.how == "tie"
    assert set(one.named) == {"node_supply", "node_restarted"}
    assert one.diagnosis is not None
    assert reach in [evidence.value for evidence in one.diagnosis.evidence]


@pytest.mark.parametrize(
    ("vehicle", "name", "cause"),
    [("cart", "bus shorted", "bus_down"), ("carrier", "host stall, no buffer", "recording_stopped")],
)
def test_what_comes_first_as_a_silence_is_over_was_not_there_throughout(
    vehicle: str, name: str, cause: str, tmp_path: Path
) -> None:
    """A slow message, or one on a change, comes up to a period before those that fell silent do."""
    (one,) = run_fault(name, 2100, tmp_path, vehicle)
    assert (one.how, one.named) == ("root", (cause,))


def test_a_frame_in_a_bus_that_is_silent_keeps_nothing_waiting(tmp_path: Path) -> None:
    """Lower priorities wait only while the bus carries others; ISO 11898-1: the first to wait then comes."""
    whole = join(recorded(scenario_of(tmp_path, BEND.format(spec=CART), None, 4).setup))
    since_ms = (whole.t_ns - EPOCH_NS) / 1e6
    inside = (whole.channel == whole.channels.index("can0")) & (since_ms > 7_000) & (since_ms < 7_600)
    alone = np.flatnonzero(inside & (since_ms > 7_300))[0]
    can_id = whole.can_id.copy()
    can_id[alone] = 1
    kept = np.append(np.flatnonzero(~inside), alone)
    (one,) = diagnosed_of([replace(whole, can_id=can_id).take(np.sort(kept))])
    assert [evidence.value for evidence in one.evidence if evidence.atom is Atom.REACH] == ["several"]


@pytest.mark.parametrize("seed", [201, 202, 206])
def test_a_dip_that_a_slow_message_tells_is_evidence(seed: int, tmp_path: Path) -> None:
    """The carrier's unit tells its supply once a second; what the course draws as low is told to be."""
    (one,) = run_fault("supply dip", seed, tmp_path, "carrier")
    assert (one.how, one.named) == ("root", ("node_supply",))
    assert one.diagnosis is not None
    lanes = {lane.name: lane for lane in strip_of(one.diagnosis.case, 60).lanes}
    told = {evidence.subject for evidence in one.diagnosis.evidence if evidence.value == "dipped"}
    assert told == {"UnitHealth.Supply"}
    assert BAD in lanes["UnitHealth.Supply"].marks


def test_a_node_that_misses_its_heartbeat_is_gone(tmp_path: Path) -> None:
    (one,) = run_fault("supervisor unplugged", 2000, tmp_path)
    assert (one.how, one.named) == ("root", ("node_dead",))


def test_a_computer_that_hands_back_in_motion_is_an_episode(tmp_path: Path) -> None:
    (one,) = diagnosed_of(recorded(scenario_of(tmp_path, HANDED_BACK, None, 4).setup))
    assert one.judgement.decision is Decision.ROOT
    assert one.judgement.first[0].cause.key == "computer_asked"
    assert one.begins_ns[0] <= EPOCH_NS + 8_200_000_000 <= one.begins_ns[1]
    assert headline(one.span) == "the computer handed an axis back"


@pytest.mark.parametrize(("vehicle", "seed"), [("cart", 2005), ("carrier", 2000)])
def test_a_computer_hands_back_between_two_steps_of_the_vehicle(
    vehicle: str, seed: int, tmp_path: Path
) -> None:
    """No axis lets go before a frame asks it to; the carrier's driver pulls his lever after that."""
    (one,) = run_fault("computer hands back", seed, tmp_path, vehicle)
    assert (one.how, one.named) == ("root", ("computer_asked",))
    assert one.diagnosis is not None
    values = [evidence.value for evidence in one.diagnosis.chain]
    assert values.index("withdrawn") < values.index("let_go")
    assert "past_threshold" not in values


def test_a_computer_that_hands_back_at_rest_is_no_episode(tmp_path: Path) -> None:
    """The next episode moves up."""
    stopped = HANDED_BACK.replace("8.20 s", "10 s") + "  - {at: 5 s, computer: stop}\n"
    silent = "{kind: message_stopped, message: SteerFeedback, at: 13 s, for: 900 ms}"
    (one,) = diagnosed_of(recorded(scenario_of(tmp_path, stopped, silent, 4).setup))
    assert one.judgement.first[0].cause.key == "task_stopped"
    assert one.span.number == 1


def test_where_the_stream_is_cut_does_not_matter(tmp_path: Path) -> None:
    fault = "{kind: node_restart, node: SteerNode, at: 6.2 s, for: 400 ms}"
    whole = join(recorded(scenario_of(tmp_path, BEND.format(spec=CART), fault, 4).setup))
    rng = np.random.default_rng(4)
    expected = [one.evidence for one in diagnosed_of([whole])]
    assert expected
    for pieces in (3, 400):
        points = sorted(rng.integers(0, len(whole), pieces).tolist())
        assert [one.evidence for one in diagnosed_of(whole.split(points))] == expected
