"""The simulated recorder and gateway: stamps, losses, stalls, batches and relays, worked by hand."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.chunks import (
    COLUMNS,
    FLAG_BIT_RATE_SWITCH,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    join,
)
from canmap.frames.row import Row
from canmap.frames.text.line import parse_line
from canmap.outputs.captures.textfile import text_line, text_lines
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.gateway import Gateway, GatewayLoss, Relay, Route
from canmap.simulator.buses.network import BusConfig, Node, Outcome, Release, Transmission, WireFault
from canmap.simulator.buses.recorder import (
    BURST_NS,
    ClockStep,
    Delay,
    Loss,
    Overload,
    Recorder,
    RecorderFault,
    Recording,
    Stall,
)
from canmap.simulator.buses.traffic import as_chunk, columns_of, frames_of, heard_of
from canmap.simulator.noise import around_zero, around_zero_one, even, even_ns, even_one
from tests.buses import MS, run

if TYPE_CHECKING:
    from collections.abc import Sequence

FRAME = Frame(0x123, b"\x01\x02")


def sent_at(times_ns: Sequence[int], frame: Frame = FRAME) -> list[Transmission]:
    return [Transmission(t_ns, 0, frame, t_ns - 1000, start_ns=t_ns - 500) for t_ns in times_ns]


def stamps(recorder: Recorder, times_ns: Sequence[int], seed: int = 0) -> list[int]:
    return Recording(recorder, seed).take(columns_of(sent_at(times_ns))).t_ns.tolist()


def test_stamps_on_receipt_are_cut_to_the_resolution() -> None:
    assert stamps(Recorder(epoch_ns=10**18, latency_ns=100), [1_000, 2_950]) == [
        10**18 + 1_000,
        10**18 + 3_000,
    ]
    late = stamps(Recorder(jitter_ns=5_000, resolution_ns=1), range(0, 10 * MS, 10_000))
    delays = [t_ns - 10_000 * n for n, t_ns in enumerate(late)]
    assert 0 <= min(delays) < 500
    assert 4_500 < max(delays) <= 5_000


def test_an_adapter_stamps_what_it_fetches_together() -> None:
    assert stamps(Recorder(batch_ns=MS), [1, 400_000, MS, MS + 1]) == [MS, MS, MS, 2 * MS]


def test_lost_frames_leave_a_gap_and_the_rest_untouched() -> None:
    times = list(range(0, 100 * MS, MS))
    stopped = stamps(Recorder(faults=(Loss(10 * MS, 20 * MS),)), times)
    assert stopped == [t_ns for t_ns in times if not 10 * MS <= t_ns < 20 * MS]
    some = stamps(Recorder(faults=(Loss(0, 100 * MS, 0.3),)), times, seed=5)
    assert set(some) < set(times)
    assert 50 < len(some) < 90
    assert some == stamps(Recorder(faults=(Loss(0, 100 * MS, 0.3),)), times, seed=5)
    assert some != stamps(Recorder(faults=(Loss(0, 100 * MS, 0.3),)), times, seed=6)


def test_a_stall_ends_in_a_burst_and_a_full_buffer_loses_the_newest() -> None:
    times = list(range(0, 10 * MS, MS))
    burst = stamps(Recorder(faults=(Stall(2 * MS, 6 * MS),)), times)
    assert burst == [
        0,
        MS,
        *[6 * MS + n * BURST_NS for n in range(4)],
        6 * MS + 3 * BURST_NS,
        7 * MS,
        8 * MS,
        9 * MS,
    ]
    short = stamps(Recorder(faults=(Stall(2 * MS, 6 * MS, buffer=2),)), times)
    assert short == [0, MS, 6 * MS, 6 * MS + BURST_NS, 6 * MS + BURST_NS, 7 * MS, 8 * MS, 9 * MS]


def test_a_stall_without_a_buffer_is_a_recorder_that_stopped() -> None:
    times = [MS, 2 * MS - 1, 2 * MS, 6 * MS - 1, 6 * MS, 7 * MS]
    late_ns = 50_000  # those just before an end are read after it
    for fault in (Stall(2 * MS, 6 * MS, buffer=0), Loss(2 * MS, 6 * MS)):
        told = stamps(Recorder(latency_ns=late_ns, resolution_ns=1, faults=(fault,)), times)
        assert told == [times[place] + late_ns for place in (0, 1, 4, 5)]


def test_delayed_frames_are_not_overtaken() -> None:
    assert stamps(Recorder(faults=(Delay(MS, 2 * MS, 3 * MS),)), [0, MS, 2 * MS, 5 * MS]) == [
        0, 4 * MS, 4 * MS, 5 * MS,
    ]  # fmt: skip


def test_a_clock_step_moves_what_follows() -> None:
    recorder = Recorder(faults=(ClockStep(2 * MS, -1500 * MS),))
    assert stamps(recorder, [MS, 2 * MS, 3 * MS]) == [MS, -1498 * MS, -1497 * MS]


def test_destroyed_attempts_are_error_frames() -> None:
    """Linux include/uapi/linux/can/error.h: class bits 0x008 protocol and 0x080 bus error, type in byte 2."""
    config = BusConfig("drive", 500_000, (Node("a"), Node("b")))
    out, _ = run(config, [Release(0, 0, FRAME)], [WireFault(0, MS, node=0)])
    recorded = Recording(Recorder()).take(columns_of(out))
    errors = recorded.kind == FrameKind.ERROR
    destroyed = sum(one.outcome is Outcome.DESTROYED for one in out)
    assert errors.sum() == destroyed > 3
    assert set(recorded.can_id[errors].tolist()) == {0x088}
    assert set(recorded.length[errors].tolist()) == {8}
    assert set(recorded.payload[errors, 2].tolist()) == {0x01}  # a bit error
    assert recorded.can_id[~errors].tolist() == [0x123]
    quiet = Recording(Recorder(error_frames=False)).take(columns_of(out))
    assert quiet.can_id.tolist() == [0x123]
    assert text_lines(recorded).split(b"\n")[0].split()[2].startswith(b"20000088#0000")


def test_a_missing_acknowledgement_is_located_in_its_slot() -> None:
    config = BusConfig("drive", 500_000, (Node("a"),), acknowledged=False)
    out, _ = run(config, [Release(0, 0, FRAME)], until_ns=MS)
    recorded = Recording(Recorder()).take(columns_of(out))
    assert set(recorded.can_id.tolist()) == {0x0A0}
    assert set(recorded.payload[:, 3].tolist()) == {0x19}


@given(st.data(), st.integers(0, 50))
def test_pieces_change_nothing(data: st.DataObject, seed: int) -> None:
    chance = random.Random(data.draw(st.integers(0, 1 << 20)))
    times = sorted(chance.randrange(20 * MS) for _ in range(60))
    start_ns = chance.randrange(20 * MS)
    faults: list[RecorderFault] = [
        Loss(start_ns, start_ns + 5 * MS, 0.5),
        Stall(start_ns // 2, start_ns, chance.choice([None, 0, 3])),
        Delay(start_ns, start_ns + MS, 2 * MS),
        ClockStep(start_ns, chance.choice([-MS, MS])),
        Overload(start_ns, start_ns + 8 * MS, chance.choice([1000, 4000]), 2),
    ]
    recorder = Recorder(
        batch_ns=chance.choice([0, MS]),
        jitter_ns=chance.choice([0, 300_000]),
        drift_ppb=chance.choice([0, -40_000]),
        misreads=chance.choice([False, False, True]),
        left_out=frozenset(chance.choice([(), (0x123,)])),
        faults=tuple(faults),
    )
    sent = columns_of([sent_at([t_ns], Frame(chance.choice([0x123, 0x124])))[0] for t_ns in times])
    whole = Recording(recorder, seed).take(sent)
    cut = data.draw(st.integers(0, 60))
    recording = Recording(recorder, seed)
    pieces = [recording.take(sent.take(slice(0, cut))), recording.take(sent.take(slice(cut, None)))]
    together = join(pieces)
    for name in COLUMNS:
        assert np.array_equal(getattr(whole, name), getattr(together, name)), name


def test_chance_is_even_and_depends_on_its_purpose() -> None:
    draws = even(3, "one", np.arange(20_000))
    assert abs(draws.mean() - 0.5) < 0.01
    assert np.histogram(draws, bins=10, range=(0, 1))[0].min() > 1_800
    assert not np.array_equal(draws, even(3, "two", np.arange(20_000)))
    assert not np.array_equal(draws, even(4, "one", np.arange(20_000)))
    assert np.unique(even_ns(1, "one", np.arange(500), 3)).tolist() == [0, 1, 2, 3]
    assert [even_one(3, "one", number) for number in range(500)] == draws[:500].tolist()
    around = around_zero(3, "one", np.arange(1000))
    assert [around_zero_one(3, "one", number) for number in range(1000)] == around.tolist()
    assert abs(around.std() - 6**-0.5) < 0.03


def test_a_gateway_relays_every_third_under_another_identifier() -> None:
    gateway = Gateway(node=2, routes=(Route(0x123, every=3, relayed_id=0x321), Route(0x5)), delay_ns=MS)
    times = list(range(0, 9 * MS, MS))
    relay = Relay(gateway)
    out = relay.take(sent_at(times[:4])) + relay.take(sent_at(times[4:]))
    assert out == [Release(t_ns + MS, 2, FRAME._replace(can_id=0x321)) for t_ns in times[::3]]
    assert Relay(gateway).take(sent_at([5], Frame(0x5, extended=True))) == []
    assert Relay(gateway).take(sent_at([5], Frame(0x5))) == [Release(5 + MS, 2, Frame(0x5))]


def test_a_gateway_loses_and_jitters() -> None:
    times = list(range(0, 100 * MS, MS))
    gateway = Gateway(
        0, (Route(0x123), Route(0x5)), jitter_ns=500, losses=(GatewayLoss(10 * MS, 20 * MS, can_id=0x123),)
    )
    relayed = Relay(gateway).take(sent_at(times))
    kept = [t_ns for t_ns in times if not 10 * MS <= t_ns < 20 * MS]
    delays = [release.t_ns - t_ns for release, t_ns in zip(relayed, kept, strict=True)]
    assert 0 <= min(delays) < max(delays) <= 500
    assert len(Relay(gateway).take(sent_at(times, Frame(0x5)))) == 100
    destroyed = sent_at([MS])[0]._replace(outcome=Outcome.DESTROYED)
    assert Relay(gateway).take([destroyed]) == []
    others = [destroyed, *sent_at([2 * MS], Frame(0x5)), *sent_at([3 * MS], Frame(0x6)), *sent_at([4 * MS])]
    assert Relay(gateway).meant(heard_of(others)).tolist() == [1, 3]
    assert Relay(gateway).meant(columns_of([])).tolist() == []


@st.composite
def chunks(draw: st.DrawFn) -> FrameChunk:
    frames, errors = [], []
    for place in range(draw(st.integers(0, 12))):
        extended = draw(st.booleans())
        can_id = draw(st.integers(0, (1 << (29 if extended else 11)) - 1))
        match draw(st.sampled_from(["data", "data", "remote", "fd", "error"])):
            case "data":
                flags = draw(st.sampled_from([0, FLAG_RECEIVED, FLAG_SENT]))
                frames.append(Frame(can_id, draw(st.binary(max_size=8)), extended, flags=flags))
            case "remote":
                frames.append(Frame(can_id, b"", extended, remote=True, requested=draw(st.integers(0, 8))))
            case "fd":
                flags = FLAG_FD | draw(st.sampled_from([0, FLAG_BIT_RATE_SWITCH]))
                payload = bytes(draw(st.sampled_from([0, 8, 12, 64])))
                frames.append(Frame(can_id, payload, extended, flags=flags))
            case _:
                errors.append(place)
                frames.append(Frame(0x88, bytes(8)))
    # Stamps far apart and close together, of seconds with many digits and with few, some of them whole us.
    first_ns, spread_ns = draw(st.sampled_from([0, 10**9 - 5, 10**18])), 10 ** draw(st.integers(0, 18))
    steps = (
        [draw(st.sampled_from([1, 1000])) for _ in frames] if draw(st.booleans()) else [1000] * len(frames)
    )
    t_ns = [(first_ns + draw(st.integers(0, spread_ns))) // step * step for step in steps]
    return as_chunk(frames, t_ns, draw(st.sampled_from(["can0", "vcan12"])), errors)


@given(chunks())
def test_text_is_read_back_as_it_was(chunk: FrameChunk) -> None:
    lines = text_lines(chunk).splitlines(keepends=True)
    assert lines == [text_line(chunk, row) for row in range(len(chunk))]
    for row, line in enumerate(lines):
        frame = parse_line(line.removesuffix(b"\n"))
        assert isinstance(frame, Row)
        remote = chunk.kind[row] == FrameKind.REMOTE
        length = int(chunk.length[row])
        assert frame == Row(
            t_ns=int(chunk.t_ns[row]),
            channel=chunk.channels[0],
            can_id=int(chunk.can_id[row]),
            extended=bool(chunk.extended[row]),
            kind=FrameKind(int(chunk.kind[row])),
            flags=int(chunk.flags[row]),
            length=length,
            payload=b"" if remote else chunk.payload[row, :length].tobytes(),
        )


@given(st.lists(chunks(), min_size=1, max_size=3))
def test_text_of_several_channels_is_that_of_each_frame(pieces: list[FrameChunk]) -> None:
    whole = join(pieces)
    whole.t_ns[::5] *= -1  # a clock may have gone back beyond its zero
    assert text_lines(whole) == b"".join(text_line(whole, row) for row in range(len(whole)))


@given(st.lists(st.integers(0, 8), max_size=6))
def test_columns_come_back_as_frames(lengths: list[int]) -> None:
    frames = [
        Frame(n, bytes(range(n, n + length)), extended=length > 4) for n, length in enumerate(lengths)
    ] + [Frame(9, remote=True, requested=length) for length in lengths]
    assert frames_of(as_chunk(frames)) == frames


def test_an_empty_recording_is_empty() -> None:
    assert len(Recording(Recorder(channel="can7")).take(columns_of([]))) == 0
    assert text_lines(as_chunk([])) == b""
    assert frames_of(as_chunk([])) == []
