"""Faults of recorder, gateway and computer, and how a scenario sets up its recorder: frames are looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import FaultyFileError, OutputError
from canmap.frames.chunks import FrameKind
from canmap.simulator.buses.bursts import Bursts
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.loose_plug import LoosePlug
from canmap.simulator.buses.network import Outcome, Transmission
from canmap.simulator.buses.traffic import columns_of, transmissions_of
from canmap.simulator.cart.kit import Reason
from canmap.simulator.cart.trouble import Bunches, Late
from canmap.simulator.simulation import simulate_to_file
from canmap.vocabulary.record_types import AxisState
from tests.buses import MS
from tests.simulated import run_of, scenario_of, short_drive
from tests.streams import inspected, spec_of
from tests.unit.test_bus_faults import TRIP, longest_gap_s, missing, state_at

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulated import Run

BRIEF = short_drive(1)  # the kit is on, and nobody has enabled it


def changed(folder: Path, kind: str, parameters: str = "", script: str = BRIEF) -> Run:
    """Run a drive with one fault."""
    told = run_of(folder, script, f"{{kind: {kind}{', ' if parameters else ''}{parameters}}}")
    assert (told.fault["kind"], told.fault["cause"][-1]) == (kind, ".")
    return told


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The same without a fault."""
    return run_of(tmp_path_factory.mktemp("plain"), BRIEF)


def identifiers(run: Run, channel: str) -> set[int]:
    on = run.chunk.channel == run.chunk.channels.index(channel)
    return set(run.chunk.can_id[on & (run.chunk.kind == FrameKind.DATA)].tolist())


def test_a_recorder_that_is_too_slow_loses_what_is_beyond_its_rate(tmp_path: Path, plain: Run) -> None:
    """Frames come at some 550 a second; of all senders the same share is lost."""
    carried = len(plain.heard("SteerFeedback"))
    quick = changed(tmp_path, "recorder_overload", "rate: 2000 Hz, at: 0.1 s")
    assert len(quick.chunk) == len(plain.chunk)
    losses = []
    for rate in (400, 250):
        slow = changed(tmp_path, "recorder_overload", f"rate: {rate} Hz, buffer: 8, at: 0.1 s")
        on_drive = slow.times(np.flatnonzero(slow.chunk.channel == 0))
        assert ((on_drive > 0.2) & (on_drive < 0.9)).sum() == pytest.approx(0.7 * rate, rel=0.25)
        assert len(slow.heard("BodyState", "can1")) == len(plain.heard("BodyState", "can1"))
        losses.append(carried - len(slow.heard("SteerFeedback")))
        for name in ("BrakeFeedback", "WheelSpeeds", "SteerCommand", "PedalState"):
            assert len(slow.heard(name)) < len(plain.heard(name)), name
    assert 5 < losses[0] < losses[1]


def test_an_unplugged_recorder_misses_one_bus_only(tmp_path: Path, plain: Run) -> None:
    run = changed(tmp_path, "recorder_unplugged", "bus: drive, at: 0.4 s, for: 300 ms")
    steering = run.heard("SteerFeedback")
    assert len(steering.within(0.401, 0.7)) == 0
    assert missing(steering["Counter"]) in {29 % 15, 30 % 15}  # sent all the while
    np.testing.assert_array_equal(
        run.heard("ChassisSteering", "can1").t_s, plain.heard("ChassisSteering", "can1").t_s
    )


def test_a_loose_plug_of_the_recorder_hides_all_of_a_bus_for_moments(tmp_path: Path, plain: Run) -> None:
    """It opens in the middle of some frames: they are errors to it. Counters tell that the nodes went on."""
    run = changed(tmp_path, "recorder_loose_plug", "bus: drive, every: 100 ms, at: 0.2 s, for: 700 ms")
    on_bus, got = plain.heard("SteerFeedback").t_s, run.heard("SteerFeedback").t_s
    gone_s = on_bus[np.abs(on_bus[:, None] - got).min(axis=1) > 1e-3]
    assert 5 < len(gone_s) < 60
    assert 0.2 < gone_s.min() < gone_s.max() < 0.9
    holes = np.split(gone_s, np.flatnonzero(np.diff(gone_s) > 0.011) + 1)
    for hole in holes:
        inside = (hole[0] + 0.001, hole[-1] - 0.001)
        for name in ("BrakeFeedback", "WheelSpeeds", "SteerCommand", "KitState"):
            assert len(run.heard(name).within(*inside)) == 0, name
    assert len({hole.size for hole in holes}) > 1
    assert missing(run.heard("SteerFeedback")["Counter"]) == sum(hole.size % 15 for hole in holes)
    errors = int((run.chunk.kind == FrameKind.ERROR).sum())
    assert 0 < errors <= 2 * 7
    np.testing.assert_array_equal(
        run.heard("ChassisSteering", "can1").t_s, plain.heard("ChassisSteering", "can1").t_s
    )


@given(st.lists(st.integers(0, 900 * MS), max_size=30), st.integers(0, 100), st.integers(10, 400))
def test_a_frame_is_whole_where_the_plug_was_closed_all_the_while(
    begins_ns: list[int], seed: int, every_ms: int
) -> None:
    """An opening takes longer than a frame, so the begin and the end of each tell."""
    plug = LoosePlug("drive", 100 * MS, 700 * MS, every_ms * MS)
    bursts = Bursts(seed, "recorder burst", plug.start_ns, plug.every_ns)
    frame = Frame(0x123, bytes(8))
    sent = [Transmission(t_ns + MS // 4, 0, frame, t_ns, start_ns=t_ns) for t_ns in sorted(begins_ns)]

    def is_open(t_ns: int) -> bool:
        return plug.start_ns <= t_ns < plug.stop_ns and bursts.open_at(t_ns)

    ends = [(is_open(each.start_ns), is_open(each.t_ns - 1)) for each in sent]
    through = transmissions_of(plug.lets_through(columns_of(sent), seed))
    expected = [(each.t_ns, any(end)) for each, end in zip(sent, ends, strict=True) if not all(end)]
    assert [(each.t_ns, each.outcome == Outcome.DESTROYED) for each in through] == expected
    pieces = [plug.lets_through(columns_of([each]), seed) for each in sent]
    assert [one for piece in pieces for one in transmissions_of(piece)] == through


def test_a_filter_holds_back_one_message(tmp_path: Path, plain: Run) -> None:
    run = changed(tmp_path, "recorder_filter", "message: SteerFeedback")
    assert identifiers(run, "can0") == identifiers(plain, "can0") - {0x101}
    assert len(run.heard("ChassisSteering", "can1")) == len(plain.heard("ChassisSteering", "can1"))
    assert (run.fault["message"], run.fault["start_s"], run.fault["end_s"]) == ("SteerFeedback", 0.0, None)
    told = run_of(tmp_path, f"{BRIEF}recorder: {{only: [0x101, 0x102, 0x320]}}\n")
    assert (identifiers(told, "can0"), identifiers(told, "can1")) == ({0x101, 0x102}, {0x320})


def test_channels_are_swapped(tmp_path: Path, plain: Run) -> None:
    run = changed(tmp_path, "channels_swapped")
    assert identifiers(run, "can1") == identifiers(plain, "can0")
    assert identifiers(run, "can0") == identifiers(plain, "can1")
    assert np.array_equal(run.chunk.t_ns, plain.chunk.t_ns)


def test_a_recorder_at_a_wrong_bit_rate_sees_errors_only(tmp_path: Path, plain: Run) -> None:
    run = changed(tmp_path, "wrong_bit_rate", "bus: chassis")
    on_second = run.chunk.channel == run.chunk.channels.index("can1")
    assert on_second.sum() == (plain.chunk.channel == plain.chunk.channels.index("can1")).sum() > 20
    assert set(run.chunk.kind[on_second].tolist()) == {FrameKind.ERROR}
    assert set(run.chunk.can_id[on_second].tolist()) == {0x088}  # protocol and bus error: SocketCAN's classes
    assert identifiers(run, "can0") == identifiers(plain, "can0")
    deaf = f"{BRIEF}recorder: {{error_frames: no}}\n"
    assert set(changed(tmp_path, "wrong_bit_rate", "bus: chassis", deaf).chunk.channel.tolist()) == {0}


def test_a_capture_ends_in_the_middle_of_a_line(tmp_path: Path) -> None:
    scenario = scenario_of(tmp_path, BRIEF, "{kind: capture_ends, at: 0.6 s}")
    path = tmp_path / "short.log"
    frames = simulate_to_file(scenario, str(path)).frames
    *whole, cut = path.read_text(encoding="ascii").split("\n")
    assert len(whole) == frames > 100
    assert 0 < len(cut) < 30
    assert cut.startswith("(17600000")
    assert float(whole[-1][1:18]) - 1_760_000_000 == pytest.approx(0.6, abs=0.01)
    (fault,) = yaml.safe_load((tmp_path / "short.yaml").read_text(encoding="utf-8"))["faults"]
    assert (fault["kind"], fault["end_s"]) == ("capture_ends", None)


def test_two_recorders_have_two_clocks(tmp_path: Path, plain: Run) -> None:
    run = changed(tmp_path, "clocks_apart", "offset: -30 ms, drift: 2000 ppm")
    for name, channel in (("SteerFeedback", "can0"), ("BodyState", "can1"), ("ChassisSteering", "can1")):
        before, after = plain.heard(name, channel).t_s, run.heard(name, channel).t_s
        off = -0.03 + 0.002 * before if channel == "can1" else 0.0
        np.testing.assert_allclose(after - before, off, atol=2e-6)
    assert (np.diff(run.chunk.t_ns) >= 0).all()  # merged by its stamps
    copies, first = run.heard("ChassisSteering", "can1").t_s, run.heard("SteerFeedback").t_s
    assert copies[0] < first[0]  # a copy before what it is of


def test_the_second_recorder_may_write_a_capture_of_its_own(tmp_path: Path) -> None:
    script = f"{BRIEF}recorder: {{second: {{offset: 20 ms, own_capture: yes}}}}\n"
    outcome = simulate_to_file(scenario_of(tmp_path, script), str(tmp_path / "trip.log"))
    assert outcome.second_capture == str(tmp_path / "trip_chassis.log")
    names = ("trip.log", "trip_chassis.log")
    lines = [(tmp_path / name).read_text(encoding="ascii").splitlines() for name in names]
    assert [{line.split()[1] for line in each} for each in lines] == [{"can0"}, {"can1"}]
    described = yaml.safe_load((tmp_path / "trip.yaml").read_text(encoding="utf-8"))
    assert described["frames"] == outcome.frames == sum(map(len, lines))
    assert described["second_capture"] == "trip_chassis.log"
    again = simulate_to_file(
        scenario_of(tmp_path, script), str(tmp_path / "trip.log")
    )  # it may replace its own
    assert again == outcome
    (tmp_path / "other_chassis.log").write_text("precious", encoding="ascii")
    with pytest.raises(OutputError, match=r"other_chassis\.log"):
        simulate_to_file(scenario_of(tmp_path, script), str(tmp_path / "other.log"))
    assert not (tmp_path / "other.log").exists()


def test_stamps_may_jitter_or_stand_on_a_raster(tmp_path: Path, plain: Run) -> None:
    jittered = run_of(tmp_path, f"{BRIEF}recorder: {{jitter: 3 ms}}\n")
    late_s = jittered.heard("SteerFeedback").t_s - plain.heard("SteerFeedback").t_s
    assert 2e-3 < late_s.max() <= 3e-3
    assert late_s.min() > -2e-5
    raster = run_of(tmp_path, f"{BRIEF}recorder: {{raster: 10 ms}}\n")
    assert (raster.chunk.t_ns % 10_000_000 == 0).all()
    assert len(raster.chunk) == len(plain.chunk)


@pytest.mark.parametrize(
    "recorder",
    [
        "{jitter: 3 ms}",
        "{raster: 1 ms}",
        "{raster: 10 ms}",
        "{batch: 10 ms, jitter: 500 us}",
        "{error_frames: no, second: {offset: 1 ms, drift: 40 ppm}}",
    ],
)
def test_a_run_without_faults_is_clean_however_it_is_recorded(tmp_path: Path, recorder: str) -> None:
    result, _ = inspected([run_of(tmp_path, f"{TRIP}recorder: {recorder}\n").chunk], spec_of())
    assert [finding.text for finding in result.findings if finding.severity != "note"] == []


@given(st.integers(0, 10**9), st.integers(1, 10**9), st.integers(1, 300), st.integers(1, 100))
def test_frames_of_bunches_keep_their_order(
    start_ns: int, lasts_ns: int, every_ms: int, period_ms: int
) -> None:
    """Each comes no earlier than it is due, a bunch at its end, and none overtakes another."""
    bunches = Bunches(start_ns, every_ms * MS, start_ns + lasts_ns)
    due = start_ns + np.arange(0, 2 * lasts_ns, period_ms * MS)
    out = bunches.released(due, period_ms * MS)
    assert (out >= due).all()
    assert (np.diff(out) > 0).all()
    pieces = [bunches.released(due[row : row + 1], period_ms * MS) for row in range(min(len(due), 20))]
    np.testing.assert_array_equal(np.concatenate(pieces), out[:20])


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=60).map(np.cumsum),
    st.lists(st.tuples(st.integers(0, 300), st.integers(0, 600)), min_size=1, max_size=3),
    st.integers(0, 60),
)
def test_late_frames_keep_their_order(made_ms: np.ndarray, faults: list[tuple[int, int]], cut: int) -> None:
    """Common practice: a queue keeps its order. However it is cut, and whichever fault follows on another."""
    made, out, before_ns = made_ms * MS, [], -MS
    for number, (delay_ms, stop_ms) in enumerate(faults):
        late = Late(delay_ms * MS, stop_ms * MS)
        mine = made[number * len(made) // len(faults) : (number + 1) * len(made) // len(faults)]
        for piece in (mine[:cut], mine[cut:]):
            if len(piece):
                out.append(late.released(piece, before_ns))
                before_ns = int(out[-1][-1])
    times = np.concatenate(out)
    assert (times >= made).all()
    assert (np.diff(times) >= MS).all()
    if len(faults) == 1:
        np.testing.assert_array_equal(times, late.released(made, -MS))
        queue_ns = np.arange(len(made)) * MS  # each may have to wait for all before it
        due = np.where(made < late.stop_ns, np.minimum(made + late.delay_ns, late.stop_ns), made)
        assert (times >= due).all()
        assert (times <= due + queue_ns).all()


def test_demands_come_in_bunches_and_none_is_lost(tmp_path: Path) -> None:
    run = changed(tmp_path, "bunched_demands", "every: 100 ms, at: 1.8 s, for: 450 ms", TRIP)
    for name in ("SteerCommand", "BrakeCommand", "DriveCommand"):
        demand = run.heard(name)
        assert missing(demand["Counter"]) == 0, name
        gaps = np.diff(demand.within(1.8, 2.25).t_s)
        assert (gaps > 0.09).sum() >= 3, name
        assert ((gaps > 0.0005) & (gaps < 0.003)).sum() >= 12, name
    assert set(run.heard("SteerFeedback").within(1.8, 2.8)["State"]) == {AxisState.ACTIVE}  # 120 ms would do
    result, _ = inspected([run.chunk], spec_of())
    assert not {"loss", "counter", "checksum"} & {finding.kind for finding in result.findings}
    run = changed(tmp_path, "bunched_demands", "every: 200 ms, at: 1.8 s, for: 450 ms", TRIP)
    assert state_at(run.heard("SteerFeedback"), 1.97) == (AxisState.READY, Reason.DEMAND_LOST)


def test_an_overloaded_gateway_is_later_and_later_and_drops_the_oldest(tmp_path: Path) -> None:
    """A copy is due every 40 ms and takes 60 ms: each waits 20 ms longer, up to the two that may wait."""
    run = changed(tmp_path, "gateway_overload", "service: 60 ms, depth: 2, at: 1 s, for: 1.2 s", TRIP)
    copies = run.heard("ChassisSteering", "can1")
    during = copies.within(1.1, 2.2)
    assert np.diff(during.t_s) == pytest.approx(0.06, abs=0.002)
    steps = np.diff(during["Counter"].astype(int)) % 15
    assert set(steps.tolist()) == {4, 8}  # 8 where one was dropped
    original = run.heard("SteerFeedback")
    delays = [
        t_s - original.t_s[(original["Counter"] == count) & (original.t_s < t_s)][-1]
        for t_s, count in zip(copies.t_s, copies["Counter"], strict=True)
    ]
    assert max(delays[:20]) < 0.004
    assert max(delays[:25]) < max(delays) < 0.15
    after = copies.within(2.3, 2.9)
    assert set((np.diff(after["Counter"]) % 15).tolist()) == {4}
    assert max(delays[-len(after) :]) < 0.004
    assert longest_gap_s(run.heard("BodyState", "can1")) < 0.11


def test_a_gateway_restarts(tmp_path: Path) -> None:
    run = changed(tmp_path, "gateway_restart", "at: 0.5 s, for: 200 ms")
    copies = run.heard("ChassisSteering", "can1")
    assert len(copies.within(0.504, 0.7)) == 0
    assert len(copies.within(0.7, 1.0)) in {7, 8}
    assert len(run.rows("can1", 0x7A7)) == 2  # its boot message
    assert longest_gap_s(run.heard("SteerFeedback")) < 0.011


def test_each_of_two_recorders_hears_its_side_of_a_break(tmp_path: Path) -> None:
    """The line is open before BrakeNode: it and SteerNode are on the far side, and alone there."""
    script = f"{TRIP}recorder: {{far: {{at: SteerNode, offset: 5 ms}}}}\n"
    fault = "{kind: broken_branch, behind: BrakeNode, at: 1.8 s, for: 500 ms}"
    outcome = simulate_to_file(scenario_of(tmp_path, script, fault), str(tmp_path / "trip.log"))
    assert outcome.far_capture == str(tmp_path / "trip_SteerNode.log")
    described = yaml.safe_load((tmp_path / "trip.yaml").read_text(encoding="utf-8"))
    assert described["far_capture"] == "trip_SteerNode.log"
    text = [(tmp_path / name).read_text(encoding="ascii") for name in ("trip.log", "trip_SteerNode.log")]
    assert "can1" not in text[1]
    lines = [[line.split() for line in each.splitlines() if " can0 " in line] for each in text]
    near, far = ([(float(stamp[8:-1]), frame) for stamp, _, frame in each] for each in lines)
    during = [{frame[:3] for t_s, frame in each if 1.81 < t_s % 1000 < 2.295} for each in (near, far)]
    assert during[1] == {"101", "121", "210"}  # SteerFeedback, BrakeFeedback, SteerDiagnostics
    assert len(during[0]) > 5
    assert not during[0] & during[1]
    before = [[one for one in each if one[0] % 1000 < 1.79] for each in (near, far)]
    number = min(map(len, before))
    assert [frame for _, frame in before[0][:number]] == [frame for _, frame in before[1][:number]]
    late_s = [two[0] - one[0] for one, two in zip(*before, strict=False)]
    assert late_s == pytest.approx([0.005] * number, abs=25e-6)


def test_a_far_recorder_is_at_a_node_of_the_first_bus(tmp_path: Path) -> None:
    with pytest.raises(FaultyFileError, match="`SteerNod` is not a node of the drive bus; did you mean"):
        scenario_of(tmp_path, f"{TRIP}recorder: {{far: {{at: SteerNod}}}}\n")
