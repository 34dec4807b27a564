"""Arbitration and queueing against published response and completion times.

tests/data/published/response_times.json tells for each example where its figures come from; the README beside
it tells of the two conventions, with and without the 3-bit intermission of the own frame. Frames are
chosen so that they take exactly the bits that the examples give to theirs, whatever the payload.
"""

from __future__ import annotations

import json
import random
from typing import TYPE_CHECKING, Any

import pytest

from canmap.simulator.buses.frame_bits import INTERMISSION, unstuffed_bits, wire_length, worst_case_bits
from canmap.simulator.buses.network import BusConfig, Node, Outcome, Release
from tests.buses import MS, frame_of, run
from tests.published import PUBLISHED

if TYPE_CHECKING:
    from canmap.simulator.buses.frame import Frame

BIT_RATES = {"125k": 125_000, "250k": 250_000, "500k": 500_000, "1000k": 1_000_000}


@pytest.fixture(scope="module")
def examples() -> dict[str, dict[str, Any]]:
    text = (PUBLISHED / "response_times.json").read_text(encoding="utf-8")
    return {example["name"]: example for example in json.loads(text)["examples"]}


class Message:
    """A periodic message: priority, frame, period and jitter, ns."""

    def __init__(self, priority: int, bits: int, period_ms: float, jitter_ms: float = 0) -> None:
        self.priority = priority
        self.frame: Frame = frame_of(priority, bits)
        self.period_ns = round(period_ms * MS)
        self.jitter_ns = round(jitter_ms * MS)


def worst_bits(row: dict[str, Any]) -> int:
    return worst_case_bits(row["data_bytes"])


def responses(
    bit_rate: int,
    messages: list[Message],
    phases_ns: list[int],
    until_ns: int,
    chance: random.Random | None = None,
) -> dict[int, int]:
    """Return the worst time from release (before its jitter) to end of frame by priority, ns."""
    released, nominal = [], {}
    for message, phase_ns in zip(messages, phases_ns, strict=True):
        for t_ns in range(phase_ns, until_ns, message.period_ns):
            late_ns = chance.randint(0, message.jitter_ns) if chance else 0
            released.append(Release(t_ns + late_ns, message.priority - 1, message.frame))
            nominal[t_ns + late_ns, message.priority] = t_ns
    config = BusConfig("drive", bit_rate, tuple(Node(f"node {m.priority}") for m in messages))
    worst: dict[int, int] = {}
    for sent in run(config, released, until_ns=until_ns)[0]:
        if sent.outcome is Outcome.SENT:
            priority = sent.node + 1
            time_ns = sent.t_ns - nominal[sent.queued_ns, priority]
            worst[priority] = max(time_ns, worst.get(priority, 0))
    return worst


def critical(bit_rate: int, messages: list[Message], priority: int, until_ns: int) -> int:
    """Return the response of a message released with all above it, 1 ns after the longest below it has begun.

    The analysis lets the others come again one bit before their period is over: `tau_bit`.
    """
    bit_ns = 10**9 // bit_rate
    config = BusConfig("drive", bit_rate, tuple(Node(f"node {m.priority}") for m in messages))
    below = [message for message in messages if message.priority > priority]
    released = [Release(1, m.priority - 1, m.frame) for m in messages if m.priority <= priority]
    if below:
        blocking = max(below, key=lambda m: wire_length(m.frame).nominal)
        released.append(Release(0, blocking.priority - 1, blocking.frame))
    for message in messages[: priority - 1]:
        again = range(1 + message.period_ns - bit_ns, until_ns, message.period_ns)
        released += [Release(t_ns, message.priority - 1, message.frame) for t_ns in again]
    sent = run(config, released, until_ns=until_ns)[0]
    return next(one.t_ns - one.queued_ns for one in sent if one.node == priority - 1)


def random_phases_stay_below(
    bit_rate: int, messages: list[Message], bounds_ms: dict[int, float], intermission: int, until_ms: int
) -> None:
    chance = random.Random(4)
    for _ in range(12):
        phases = [chance.randrange(min(m.period_ns, 30 * MS)) for m in messages]
        worst = responses(bit_rate, messages, phases, until_ms * MS, chance)
        for priority, time_ns in worst.items():
            allowed_ns = bounds_ms[priority] * MS - intermission * 1e9 / bit_rate
            assert time_ns <= allowed_ns + 1e-3, priority


def test_three_messages_reach_the_published_times(examples: dict[str, dict[str, Any]]) -> None:
    example = examples["three_messages"]
    # 125 bits with the intermission: 1 ms. Response times of this example count the intermission.
    messages = [Message(m["priority"], 125 - INTERMISSION, m["period_ms"]) for m in example["messages"]]
    worst = responses(example["bit_rate"], messages, [0, 0, 0], 175 * MS)
    for row in example["messages"]:
        reached_ms = (worst[row["priority"]] + INTERMISSION * 8000) / MS
        assert reached_ms == row["response_of_a_release_together_ms"]
        assert reached_ms <= row["response_ms"]
    bounds = {row["priority"]: row["response_ms"] for row in example["messages"]}
    random_phases_stay_below(example["bit_rate"], messages, bounds, INTERMISSION, 175)


@pytest.mark.parametrize("rate", BIT_RATES)
def test_seventeen_messages_reach_the_published_times(examples: dict[str, dict[str, Any]], rate: str) -> None:
    example = examples["seventeen_messages"]
    rows = example["messages"]
    messages = [Message(row["priority"], worst_bits(row), row["period_ms"]) for row in rows]
    bounds = {row["priority"]: row[f"response_ms_{rate}"] for row in rows}
    bit_rate = BIT_RATES[rate]
    if rate == "125k":
        assert bounds == {row["priority"]: row["published_ms_125k"] for row in rows}
    for row in rows:
        reached_ns = critical(bit_rate, messages, row["priority"], 100 * MS)
        bound_ns = bounds[row["priority"]] * MS
        # The blocking frame began 1 ns before; the table gives the lowest one its own intermission, too.
        late_ns = INTERMISSION * 1e9 / bit_rate if row["priority"] == len(rows) else 0
        assert bound_ns - late_ns - 1.01 <= reached_ns <= bound_ns, row
    random_phases_stay_below(bit_rate, messages, bounds, 0, 200)


def test_twelve_messages_reach_the_published_times(examples: dict[str, dict[str, Any]]) -> None:
    example = examples["twelve_messages"]
    rows, bit_rate = example["messages"], example["bit_rate"]
    assert [worst_bits(row) for row in rows] == [row["bits"] for row in rows]
    messages = [Message(row["priority"], row["bits"], row["period_ms"]) for row in rows]
    bounds = {row["priority"]: row["response_ms"] for row in rows}
    for row in rows:
        reached_ns = critical(bit_rate, messages, row["priority"], 100 * MS)
        late_ns = INTERMISSION * 4000 if row["priority"] == len(rows) else 0
        assert bounds[row["priority"]] * MS - late_ns - 1.01 <= reached_ns <= bounds[row["priority"]] * MS, (
            row
        )
    random_phases_stay_below(bit_rate, messages, bounds, 0, 400)


@pytest.mark.parametrize("order", ["by_deadline", "schedulable"])
def test_orders_of_three_messages_stay_below_their_bounds(
    examples: dict[str, dict[str, Any]], order: str
) -> None:
    rows = examples["two_orders"][order]
    # Frames of 1 and 3 ms are 50 and 150 bits with the intermission at 50 kbit/s; the longer one is extended.
    bits = {1.0: 50, 3.0: 150}
    messages = [
        Message(row["priority"], bits[row["length_ms"]] - INTERMISSION, row["period_ms"]) for row in rows
    ]
    bounds = {row["priority"]: row["response_ms"] for row in rows}
    random_phases_stay_below(50_000, messages, bounds, INTERMISSION, 400)


def test_jitter_stays_below_its_bounds(examples: dict[str, dict[str, Any]]) -> None:
    example = examples["jitter"]
    rows, bit_rate = example["messages"], example["bit_rate"]
    messages = [Message(row["priority"], worst_bits(row), row["period_ms"], row["jitter_ms"]) for row in rows]
    for row, message in zip(rows, messages, strict=True):
        assert (wire_length(message.frame).nominal + INTERMISSION) * 1000 / bit_rate == pytest.approx(
            row["length_ms"]
        )
    bounds = {row["priority"]: row["response_ms"] for row in rows}
    random_phases_stay_below(bit_rate, messages, bounds, INTERMISSION, 600)


@pytest.mark.parametrize("periods_ms", [(3, 5, 7), (1, 2, 3)])
def test_frames_end_when_the_published_simulation_says(
    examples: dict[str, dict[str, Any]], periods_ms: tuple[int, ...]
) -> None:
    example = examples["ends_of_frames"]
    expected = example["end_bits"]["_".join(map(str, periods_ms))]
    messages = [Message(place + 1, 132, period) for place, period in enumerate(periods_ms)]
    released = [
        Release(t_ns, message.priority - 1, message.frame)
        for message in messages
        for t_ns in range(0, 9 * MS, message.period_ns)
    ]
    config = BusConfig("drive", example["bit_rate"], tuple(Node(name) for name in expected))
    sent = run(config, released)[0]
    for node, (name, ends) in enumerate(expected.items()):
        ours = [one.t_ns / config.bit_ns for one in sent if one.node == node]
        assert ours[: len(ends)] == ends, name


def test_bus_load_of_the_tutorial(examples: dict[str, dict[str, Any]]) -> None:
    for case in examples["bus_load"]["cases"]:
        share = case["frames"] / (case["period_ms"] / 1000 * case["bit_rate"])
        worst = (worst_case_bits(case["data_bytes"]) + INTERMISSION) * share
        assert worst == pytest.approx(case["load"])
        least = (unstuffed_bits(case["data_bytes"]) + INTERMISSION) * share
        assert least == pytest.approx(case["load_without_stuffing"])
