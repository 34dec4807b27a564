"""Benchmark: the loop that an engineer writes, with python-can's reader and cantools' decoding.

python -m tests.bench.plain_loop CAPTURE DESCRIPTION...    # prints its counts as JSON

Counts the frames of every identifier, the silences of every described message and the values outside the
description's limits, and keeps the smallest and largest value of every signal. All that can be looked up
once is looked up before the loop. asammdf is kept out where it is installed: python-can would import it,
which takes half a second and slows all that follows.
"""

from __future__ import annotations

import json
import math
import sys
from collections import defaultdict
from typing import TYPE_CHECKING, Any

import cantools

sys.modules["asammdf"] = None  # type: ignore[assignment]
import can  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from cantools.database.can import Message, Signal

SHORTEST_STALE_S = 0.1
STALE_PERIODS = 3


class SignalState:
    """The limits of a signal, and its extremes so far."""

    __slots__ = ("high", "low", "maximum", "minimum")

    def __init__(self, signal: Signal) -> None:
        self.minimum = -math.inf if signal.minimum is None else signal.minimum
        self.maximum = math.inf if signal.maximum is None else signal.maximum
        self.low, self.high = math.inf, -math.inf


class MessageState:
    """How to decode a message and how long it may be silent, and its stamp and count so far."""

    __slots__ = ("count", "decode", "last_s", "name", "signals", "stale_after_s")

    def __init__(self, message: Message) -> None:
        self.name = message.name
        self.decode: Callable[..., Any] = message.decode
        period_ms = message.cycle_time
        self.stale_after_s = (
            max(STALE_PERIODS * period_ms / 1000, SHORTEST_STALE_S) if period_ms else math.inf
        )
        self.signals = {signal.name: SignalState(signal) for signal in message.signals}
        self.last_s = math.inf
        self.count = 0


def inspect(capture: str, descriptions: list[str]) -> dict[str, object]:
    """The counts and extremes of a capture."""
    database = cantools.database.Database()
    for path in descriptions:
        database.add_dbc_file(path)
    states = {message.frame_id: MessageState(message) for message in database.messages}
    unknown: defaultdict[int, int] = defaultdict(int)
    silences = out_of_range = 0
    with can.LogReader(capture) as reader:
        for frame in reader:
            state = states.get(frame.arbitration_id)
            if state is None:
                unknown[frame.arbitration_id] += 1
                continue
            state.count += 1
            now_s = frame.timestamp
            if now_s - state.last_s > state.stale_after_s:
                silences += 1
            state.last_s = now_s
            signals = state.signals
            for name, value in state.decode(frame.data, decode_choices=False).items():
                signal = signals[name]
                if value < signal.low:  # noqa: PLR1730  # sooner than a call of min
                    signal.low = value
                if value > signal.high:  # noqa: PLR1730
                    signal.high = value
                if value < signal.minimum or value > signal.maximum:
                    out_of_range += 1
    return {
        "frames": sum(unknown.values()) + sum(state.count for state in states.values()),
        "out_of_range": out_of_range,
        "silences": silences,
        "messages": {state.name: state.count for state in states.values()},
        "extremes": {
            f"{state.name}.{name}": [signal.low, signal.high]
            for state in states.values()
            if state.count
            for name, signal in state.signals.items()
        },
    }


if __name__ == "__main__":
    print(json.dumps(inspect(sys.argv[1], sys.argv[2:])))
