"""What the frames of a run show of its fault, without any check: what a kind of finding can rest on.

A fault may fall between two frames, or meet nothing that it acts on. Then no check can see it, and whoever
asks for a kind of finding first asks here whether there is anything to find.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.streams import spec_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.simulated import Run

BEFORE_S = 0.2  # of a fault's begin, at which the last good frame of a slow message may have come
AFTER_S = 2.0
DIP_S = 0.4  # for so long the supply is low before a node restarts
NEEDED_V = 9.0  # by a node of the kit: `lowest_supply` of the cart's spec
LOOP_OPENED = 9  # of KitEvent.Code: StopLoopOpen


def span_s(run: Run) -> tuple[float, float]:
    """From when to when something of the fault may show, in s from power-on."""
    fault = run.fault
    end_s = fault["end_s"]
    return (fault["start_s"] or 0.0) - BEFORE_S, np.inf if end_s is None else end_s + AFTER_S


def unseen(run: Run, kind: str) -> str:
    """Return why nothing in a run shows what a kind of finding is made of; "" where something does."""
    witness = WITNESSES.get(kind)
    return "" if witness is None or witness(run) else REASONS[kind]


def _silence(run: Run) -> bool:
    """Whether a message of the spec was away for longer than it may be."""
    start_s, end_s = span_s(run)
    last_s = float(run.times(np.array([len(run.chunk) - 1]))[0])
    for rule in spec_of().messages:
        if rule.stale_after_ns is None:
            continue
        channel = spec_of().buses[rule.bus].channel
        times = run.times(run.rows(channel, rule.message.can_id))
        times = np.concatenate((times[times >= start_s - 1], [last_s]))
        gaps, begins = np.diff(times), times[:-1]
        if ((gaps > rule.stale_after_ns / 1e9) & (begins >= start_s) & (begins <= end_s)).any():
            return True
    return False


def _loop_or_supply(run: Run) -> bool:
    """Whether a frame shows the loop open or the kit's supply cut, or tells that the loop opened."""
    state, events = (run.heard(message).within(*span_s(run)) for message in ("KitState", "KitEvent"))
    shown = (state["StopLoopClosed"] == 0) | (state["SupplyOn"] == 0)
    return bool(shown.any() or (events["Code"] == LOOP_OPENED).any())


def _low_supply(run: Run) -> bool:
    """Whether a frame tells a supply that is lower than its node needs; a dip may come before its restart."""
    start_s, end_s = span_s(run)
    told = run.heard("SteerDiagnostics").within(start_s - DIP_S, end_s)
    return bool((told["Supply"] < NEEDED_V).any())


def _start_of_a_node(run: Run) -> bool:
    """Whether a node that was off came on again, by the truth."""
    return any(link["what"] == "node on" for link in run.fault["chain"])


WITNESSES: dict[str, Callable[[Run], bool]] = {
    "stale": _silence,
    "stop_chain": _loop_or_supply,
    "undervoltage": _low_supply,
    "restart": _start_of_a_node,
}
REASONS = {
    "stale": "no message was away for longer than it may be",
    "stop_chain": "no frame shows the loop open or the supply cut",
    "undervoltage": "no frame tells a supply that is too low",
    "restart": "no node was off and on again",
}
