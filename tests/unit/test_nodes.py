"""Nodes: a restart is one finding with all that tells of it; low supplies; starts that take too long."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.frames.chunks import Coverage
from tests import stops
from tests.kits import of_kind, row, spec_of
from tests.kits import span_ms as span_of
from tests.simulated import run_of, short_drive
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

TEXT = stops.MESSAGES + stops.NODES
PAGE = " (page 4 of the manual)."


def kit(folder: Path, *left_out: str, change: tuple[str, str] = ("", "")) -> Spec:
    """The kit, without some keys of its node."""
    lines = TEXT.replace(*change).splitlines(keepends=True)
    return stops.spec(folder, "".join(line for line in lines if line.split(":")[0].strip() not in left_out))


def found(kit: Spec, rows: Iterable, kind: str) -> tuple[Inspection, list[Finding]]:
    """What is found is the same in small chunks."""
    whole = frames(rows)
    result, _ = inspected([whole], kit)
    for size in (1, 40):
        assert inspected(whole.split(range(0, len(whole), size)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, kind)


def sent(
    start: int, stop: int, starts: int = 1, volts: Callable[[int], float] = lambda _: 12, ran: int = 0
) -> Iterator:
    """What a node sends from one time to another, in ms: Steer every 10 ms, Slow every 50; it began then."""
    for t in range(start, stop, 10):
        yield stops.steer(t, (t - start) // 10, volts(t), starts, ran + (t - start) // 100)
        if (t - start) % 50 == 40:
            yield stops.slow(t + 1)


def test_one_restart_is_one_finding_that_names_all_that_tells_it(tmp_path: Path) -> None:
    """The last frame is that of 1,991 ms; the boot frame comes at 2,300, the next counter at 2,320 ms."""
    rows = [*sent(0, 2000), stops.boot(2300), *sent(2320, 3000, starts=2)]
    result, (one,) = found(kit(tmp_path), rows, "restart")
    assert one.text == (
        "SteerNode restarted: its restart count (Steer.Starts) went from 1 to 2, its uptime (Steer.OnTime) "
        "went from 1.9 s to 0 s, Steer began its counter anew after 330 ms and it sent its boot frame Boot"
        + PAGE
    )
    assert span_of(result, one) == pytest.approx((1991, 2300))
    assert (one.severity, one.facts["node"], len(one.parts)) == ("warning", "SteerNode", 4)
    assert set(one.facts["clues"]) == {"restart_count", "uptime", "counter", "boot"}
    (silence,) = of_kind(result, "stale")
    assert one.text in silence.beside


@pytest.mark.parametrize(
    ("left_out", "clue"),
    [
        (("uptime", "boot"), "restart_count"),
        (("restart_count", "boot"), "uptime"),
        (("restart_count", "uptime"), "boot"),
    ],
)
def test_each_of_them_tells_it_alone(tmp_path: Path, left_out: tuple[str, ...], clue: str) -> None:
    """The node is away for 20 ms only, too short a time for its counter to tell of a start."""
    rows = [*sent(0, 2000), stops.boot(2008), *sent(2010, 3000, starts=2)]
    _, (one,) = found(kit(tmp_path, *left_out), rows, "restart")
    assert one.facts["clue"] == clue
    assert one.text.startswith("SteerNode restarted: it")


@pytest.mark.parametrize(
    ("left_out", "restarts"), [((), 0), (("uptime",), 0), (("restart_count", "uptime"), 1)]
)
def test_a_counter_that_comes_to_its_first_value_by_chance(
    tmp_path: Path, left_out: tuple[str, ...], restarts: int
) -> None:
    """3 s of silence, after which the counter stands at 0; the count of starts says that nothing started."""
    after = [stops.steer(5000 + 10 * n, n, ran=49 + n // 10) for n in range(100)]
    rows = [*sent(0, 2000), *after]
    assert len(found(kit(tmp_path, *left_out), rows, "restart")[1]) == restarts
    assert len(found(kit(tmp_path, *left_out), rows[:241], "restart")[1]) == 1  # no count came after it


def test_two_restarts_are_two_findings(tmp_path: Path) -> None:
    rows = [*sent(0, 2000), *sent(2050, 2300, starts=2), *sent(2350, 3000, starts=3)]
    result, restarts = found(kit(tmp_path), rows, "restart")
    assert [round(span_of(result, one)[1]) for one in restarts] == [2050, 2350]


def test_an_uptime_that_wraps_is_no_restart(tmp_path: Path) -> None:
    """8 bits of 0.1 s: after 25.5 s it begins anew. By hand: 250 + 15 * 0.1 s."""
    rows = list(sent(0, 3000, ran=250))
    assert found(kit(tmp_path), rows, "restart")[1] == []
    silent = [*sent(0, 500, ran=250), *sent(2000, 3000, ran=270)]  # 1.5 s away, and it went on counting
    without = kit(tmp_path, change=(stops.MESSAGES, "messages: {Boot: {trigger: event}}\n"))
    assert found(without, silent, "restart")[1] == []
    silent = [*sent(0, 500, ran=250), *sent(2000, 3000, ran=256 + 40)]  # 4.6 s of it in 1.5 s
    assert len(found(without, silent, "restart")[1]) == 1


def test_the_first_start_is_no_restart(tmp_path: Path) -> None:
    """The boot frame may come after the first of the others, and twice."""
    for late_ms in (0, 55):
        rows = [stops.boot(late_ms), *sent(10, 50), stops.boot(late_ms + 1), *sent(60, 1000)]
        rows.sort()
        assert found(kit(tmp_path), rows, "restart")[1] == []


def test_counters_of_a_node_that_the_spec_says_nothing_more_of(tmp_path: Path) -> None:
    """Both messages are silent for 520 ms, 52 periods, and begin at 0 again where a loss would give 3."""
    one = 'BO_ 256 One: 1 Node\n SG_ Count : 0|4@1+ (1,0) [0|0] "" Other\n'
    text = "messages: {One: {counter: {signal: Count}}, Two: {counter: {signal: Count}}}\n"
    kit = spec_of(tmp_path, one + one.replace("256 One", "512 Two"), text, periods_ms={256: 10, 512: 10})
    rows = [
        row(10 * (number + away) + later, can_id, bytes([number % 16]))
        for numbers, away in ((range(99), 0), (range(50), 150))
        for number in numbers
        for can_id, later in ((256, 0), (512, 1))
    ]
    _, (found_,) = found(kit, rows, "restart")
    clues = "One began its counter anew after 520 ms and Two began its counter anew after 520 ms"
    assert found_.text == f"Node restarted: {clues}."


def test_a_supply_that_is_too_low(tmp_path: Path) -> None:
    rows = list(sent(0, 2000, volts=lambda t: 8.1 if 500 <= t < 600 else 9))
    result, (one,) = found(kit(tmp_path), rows, "undervoltage")
    assert one.text == "The supply of SteerNode (Steer.Supply) fell to 8.1 V; it needs 9 V" + PAGE
    assert (one.severity, one.value, one.limit, one.count) == ("warning", 8.1, 9, 10)
    assert span_of(result, one) == (500, 600)
    _, (one,) = found(kit(tmp_path), sent(0, 500, volts=lambda _: 8.99), "undervoltage")
    assert one.text.startswith(
        "The supply of SteerNode (Steer.Supply) was 8.99 V from the start; it needs 9 V"
    )


def test_a_start_that_takes_too_long(tmp_path: Path) -> None:
    """100 ms, and for Slow a period of 50 and 10 of jitter, after the boot frame of 5 ms are over at 165."""
    late = [one for one in sent(10, 1000) if one[2] == 0x300 or one[0] > row(190)[0]]
    result, (one,) = found(kit(tmp_path), [stops.boot(5), *late], "late_start")
    assert one.text == "SteerNode took 196 ms to start, until Slow came; its start time is 100 ms" + PAGE
    assert (one.severity, one.value, one.limit) == ("warning", 0.196, 0.1)
    assert span_of(result, one) == (0, 196)  # the session begins with the boot frame
    assert found(kit(tmp_path), [stops.boot(5), *sent(10, 1000)], "late_start")[1] == []
    assert found(kit(tmp_path), late, "late_start")[1] == []  # without a sign of life before


def test_a_start_that_is_never_done(tmp_path: Path) -> None:
    again = [one for one in sent(1500, 3000) if one[2] == 0x300]
    _, (one,) = found(kit(tmp_path), [*sent(0, 1000), *again], "late_start")
    assert (
        one.text == "SteerNode started, and after 1.49 s Slow had not come; its start time is 100 ms" + PAGE
    )
    assert one.facts["messages"] == ("Slow",)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("SteerNode:", "StearNode:"), "No message is sent by a node `StearNode`; did you mean `SteerNode`?"),
        (("boot: Boot", "boot: Boat"), "No description has a message `Boat`; did you mean `Boot`?"),
        (("boot: Boot", "boot: Panel"), "Panel is sent by Super, not by `SteerNode`."),
        (("Steer.Starts", "Steer.Start"), "Steer has no signal `Start`; did you mean `Starts`?"),
        (
            ("uptime: Steer.OnTime", "uptime: Steer.Starts"),
            "The description gives Steer.Starts no unit of time",
        ),
        (("9 V", "9 A"), "The unit `A` does not convert to V."),
        (("supply: Steer.Supply", "supply: Steer.Starts"), "gives Steer.Starts no unit that is known"),
        (("    supply: Steer.Supply\n", ""), "`lowest_supply` needs the key `supply` beside it."),
        (("    page", "    axis: steering\n    page"), "There is no axis `steering`."),
        (
            ("hold_up: 30 ms", "hold_up: 30"),
            "The number has no unit: write one that converts to s, such as ms.",
        ),
        (("start_time", "start_tme"), "A node has no key `start_tme`; did you mean `start_time`?"),
    ],
)
def test_a_mistake_is_told_with_what_is_nearest(
    tmp_path: Path, change: tuple[str, str], sentence: str
) -> None:
    with pytest.raises(SpecError) as failed:
        kit(tmp_path, change=change)
    assert sentence in str(failed.value)
    assert len(failed.value.faults) == 1


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("dip", ["", ", supply_dip: 7 V"])
def test_the_simulated_cart(dip: str, seed: int, tmp_path: Path) -> None:
    """The pages of its diagnostics come every 300 ms; its counter may look as if it had gone on."""
    made = run_of(
        tmp_path,
        short_drive(3),
        f"{{kind: node_restart, node: SteerNode, at: 2.1 s, for: 300 ms{dip}}}",
        seed,
    )
    result, _ = inspected([made.chunk])
    (one,) = of_kind(result, "restart")
    start_ms, end_ms = span_of(result, one)
    assert -300 <= start_ms - 1e3 * made.fault["start_s"] <= 0
    assert 0 <= end_ms - 1e3 * made.fault["end_s"] <= 300
    assert {"restart_count", "uptime"} <= set(one.facts["clues"])
    assert one.facts["axis"] == "steering"
    (silence,) = of_kind(result, "stale")
    assert one.text in silence.beside
    low = of_kind(result, "undervoltage")
    assert [supply.value for supply in low] == [pytest.approx(7, abs=0.5)] * bool(dip)  # and its noise
    assert of_kind(result, "late_start") == []


@pytest.mark.parametrize("hole", [True, False])
@pytest.mark.parametrize("opened", [True, False])
def test_nothing_is_told_of_what_was_not_recorded(tmp_path: Path, opened: bool, hole: bool) -> None:
    """In a hole, or else a silence, the supply is cut; the loop opens, or the node restarts."""
    kit = stops.spec(tmp_path)
    parts = []
    for begin, end, later in ((0, 1000, False), (3000, 4000, True)):
        rows = [stops.state(t + 1, later and opened, later) for t in range(begin, end, 20)]
        rows += [stops.panel(t + 2) for t in range(begin, end, 20)]
        if not later:
            rows += sent(begin, end)
        elif not opened:
            rows.append(stops.steer(end - 50, 3, starts=2))
        spans = (begin if hole else 0), end - 1
        cover = Coverage("can0", *(START_NS + t * MS for t in spans))
        parts.append(replace(frames(sorted(rows)), coverage=(cover,)))
    result, _ = inspected(parts, kit)
    pieces = [piece for part in parts for piece in part.split(range(0, len(part), 9))]
    assert inspected(pieces, kit)[0].to_json() == result.to_json()
    restarts = [one.facts["node"] for one in of_kind(result, "restart")]
    assert restarts == ([] if hole or opened else ["SteerNode"])
    assert of_kind(result, "stop_chain") == []
