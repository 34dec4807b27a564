"""Simulator: all releases of a run at once, as columns: the fast twin of `Bus`, with the same result.

`busy.py` tells when the bus is busy if nothing goes wrong. `Bus` itself is asked where frames can get lost,
collide or be damaged, from before that until every counter is back at 0.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.chunks import join
from canmap.simulator.bus import LAST_WAIT_NS, Bus
from canmap.simulator.busy import BusyPeriods, busy_periods
from canmap.simulator.columns import Sent, columns_of, frames_of
from canmap.simulator.network import Outcome, Release

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.columns import Traffic
    from canmap.simulator.network import BusConfig, Disturbance, StateChange, Transmission

FIRST_PERIODS = 8  # that `Bus` goes on for while it is not calm; doubled each time


def transmit(
    config: BusConfig,
    traffic: Traffic,
    disturbances: Iterable[Disturbance] = (),
    seed: int = 0,
    until_ns: int | None = None,
) -> tuple[Sent, list[StateChange]]:
    """Return what became of `traffic`, in the order in which it ended, and the changes of state of the nodes.

    Args:
        config: The bus.
        traffic: The releases, in any order; those at one time count as released in the order given.
        disturbances: What goes wrong and when.
        seed: Of everything random.
        until_ns: When the simulation ends, later releases are left out; None: 1 s after the last release.

    Raises:
        UsageError: A release names a node that the bus has not, or a frame that no bus could carry.
    """
    if until_ns is None:
        until_ns = int(traffic.frames.t_ns.max(initial=0)) + LAST_WAIT_NS
    disturbances = tuple(disturbances)
    periods = busy_periods(config, traffic, until_ns)
    bus = Bus(config, disturbances, seed)
    pieces = []
    done = 0
    for start, stop in _asked(config, periods, disturbances):
        if done and stop <= done:
            continue  # an earlier one went on for as long
        begin = max(start, done)
        pieces.append(_sent_quietly(periods, done, begin))
        transmissions, done = _sent_by(bus, periods, begin, stop)
        pieces.append(columns_of(transmissions))
    return _joined(pieces, traffic.frames.channels), bus.changes


def _asked(
    config: BusConfig, periods: BusyPeriods, disturbances: tuple[Disturbance, ...]
) -> list[tuple[int, int]]:
    """Return the spans of periods, from and up to, in which `Bus` must be asked; the last always is."""
    flagged = np.flatnonzero(np.diff(np.concatenate([[False], periods.asked, [False]])))
    spans = [(start, stop) for start, stop in flagged.reshape(-1, 2).tolist()]
    for what in disturbances:
        before = int(np.searchsorted(periods.begin_ns, what.start_ns, side="right")) - 1
        spans.append((max(before, 0), int(np.searchsorted(periods.begin_ns, what.stop_ns))))
    alone = len(config.nodes) == 1 and not config.acknowledged
    spans.append((0 if alone else max(len(periods) - 1, 0), len(periods)))
    merged: list[tuple[int, int]] = []
    for start, stop in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(stop, merged[-1][1])
        else:
            merged.append((start, stop))
    return merged


def _sent_quietly(periods: BusyPeriods, start: int, stop: int) -> Sent:
    """Return the transmissions of the periods from `start` up to `stop`, of which none needs `Bus`."""
    rows = slice(periods.first[start], periods.first[stop])
    order = np.argsort(periods.start_ns[rows], kind="stable") + rows.start
    start_ns = periods.start_ns[order]
    frames = periods.frames.take(order)
    n = len(order)
    return Sent(
        replace(frames, t_ns=start_ns + periods.span_ns[order]),
        node=periods.node[order],
        queued_ns=frames.t_ns,
        attempts=np.ones(n, np.int64),
        outcome=np.full(n, Outcome.SENT, np.int64),
        start_ns=start_ns,
        error=np.full((n, 4), -1, np.int64),
    )


def _sent_by(bus: Bus, periods: BusyPeriods, start: int, stop: int) -> tuple[list[Transmission], int]:
    """Let `bus` send the periods from `start` up to `stop`, and on until it is calm.

    Returns:
        The transmissions, and the period with which the bus is calm again.
    """
    out: list[Transmission] = []
    more = FIRST_PERIODS
    while True:
        bus.submit(_releases(periods, start, stop))
        out += bus.advance(periods.edge_ns(stop))
        if stop == len(periods):
            return out + bus.finish(), stop
        if bus.calm and bus.free_ns <= periods.edge_ns(stop):
            return out, stop
        start, stop = stop, min(stop + more, len(periods))
        more *= 2


def _releases(periods: BusyPeriods, start: int, stop: int) -> list[Release]:
    rows = np.arange(periods.first[start], periods.first[stop])
    rows = rows[np.argsort(periods.serial[rows])]
    frames = periods.frames.take(rows)
    columns = zip(frames.t_ns.tolist(), periods.node[rows].tolist(), frames_of(frames), strict=True)
    return [Release(*release) for release in columns]


def _joined(pieces: list[Sent], channels: tuple[str, ...]) -> Sent:
    names = [field.name for field in fields(Sent)[1:]]
    columns = {name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names}
    frames = join(piece.frames for piece in pieces)
    line = np.arange(1, len(frames) + 1)
    return Sent(replace(frames, channels=channels or frames.channels, line=line), **columns)
