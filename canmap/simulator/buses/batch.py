"""Simulator: all releases of a run at once, as columns: the fast twin of `BusRun`, with the same result.

`busy.py` tells when the bus is busy if nothing goes wrong. `BusRun` itself is asked where frames can be lost,
collide or be damaged, from before that until every counter is back at 0.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import UsageError
from canmap.frames.chunks import join
from canmap.simulator.buses.arbitration import LAST_WAIT_NS
from canmap.simulator.buses.bus_nodes import NEVER
from canmap.simulator.buses.busy import BusyPeriods, busy_periods
from canmap.simulator.buses.held_bus import HeldBus
from canmap.simulator.buses.network import Outcome
from canmap.simulator.buses.traffic import Sent, Traffic, columns_of, releases_of, traffic_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.simulator.buses.network import BusConfig, Disturbance, Release, StateChange, Transmission

FIRST_PERIODS = 8  # that `Bus` goes on for while it is not calm; doubled each time


class BatchBus:
    """One bus, a stretch of time at a time: what no later release can change is sent at once.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.
        seed: Of everything random.
        until_ns: When the simulation ends, later releases are left out; None: 1 s after the last release.
    """

    def __init__(
        self,
        config: BusConfig,
        disturbances: Iterable[Disturbance] = (),
        seed: int = 0,
        until_ns: int | None = None,
    ) -> None:
        self._config = config
        self._disturbances = tuple(disturbances)
        self._bus = HeldBus(config, self._disturbances, seed)
        self._until_ns = until_ns
        self._newest_ns = 0
        self._waiting = [traffic_of([], config.name)]
        self._calm = True  # `Bus` has nothing to go on with

    @property
    def changes(self) -> list[StateChange]:
        """Every change of a node's fault confinement state so far, in order."""
        return self._bus.changes

    def take(self, traffic: Traffic) -> Sent:
        """Return what is settled with the releases of `traffic`, which may not precede those taken before.

        Releases may be in any order within; those at one time count as released in the order given.

        Raises:
            UsageError: A release is earlier than one taken before, or names a node that the bus has not; or a
                frame is such that no bus could carry it.
        """
        t_ns = traffic.frames.t_ns
        if len(t_ns) and int(t_ns.min()) < self._newest_ns:
            raise UsageError(
                f"bus {self._config.name}: a release at {int(t_ns.min())} ns comes after one at"
                f" {self._newest_ns} ns was taken; sort the pieces."
            )
        self._newest_ns = int(t_ns.max(initial=self._newest_ns))
        frames = replace(traffic.frames, channels=(self._config.name,), channel=np.zeros(len(t_ns), np.uint8))
        self._waiting.append(Traffic(frames, traffic.node))
        waiting = _together(self._waiting)
        periods = busy_periods(self._config, waiting, NEVER if self._until_ns is None else self._until_ns)
        if not len(periods):
            return self._columns([])
        whole = len(periods) - 1  # what comes next may go on with the last
        sent = self._send(periods, whole)
        rest = _in_order_of_release(periods, whole, len(periods))
        self._waiting = [Traffic(periods.frames.take(rest), periods.node[rest])]
        return sent

    def finish(self) -> Sent:
        """Return the rest; what still waits at the end of the simulation is UNSENT."""
        until_ns = self._newest_ns + LAST_WAIT_NS if self._until_ns is None else self._until_ns
        periods = busy_periods(self._config, _together(self._waiting), until_ns)
        sent = self._send(periods, len(periods), final=True)
        return joined([sent, self._columns(self._bus.finish())])

    def _send(self, periods: BusyPeriods, stop: int, *, final: bool = False) -> Sent:
        """Send the periods up to `stop`; at the end of the simulation, up to that."""
        pieces = []
        done = 0
        for first, last in self._asked(periods, stop, final=final):
            begin = max(first, done)
            if last < begin:
                continue  # an earlier one went on for longer
            pieces.append(_sent_quietly(periods, done, begin))
            transmissions, done = self._sent_by_bus(periods, begin, last, stop)
            pieces.append(self._columns(transmissions))
        pieces.append(_sent_quietly(periods, done, stop))
        return joined(pieces)

    def _columns(self, transmissions: list[Transmission]) -> Sent:
        return columns_of(transmissions, self._config.name)

    def _asked(self, periods: BusyPeriods, stop: int, *, final: bool) -> list[tuple[int, int]]:
        """Return the spans of periods, from and up to, in which `BusRun` must be asked."""
        edges = np.diff(np.concatenate([[False], periods.asked[:stop], [False]]))
        spans = [(begin, end) for begin, end in np.flatnonzero(edges).reshape(-1, 2).tolist()]
        for what in self._disturbances:
            before = int(np.searchsorted(periods.begin_ns, what.start_ns, side="right")) - 1
            if what.start_ns < periods.edge_ns(stop):
                after = int(np.searchsorted(periods.begin_ns[:stop], what.stop_ns))
                spans.append((max(before, 0), after))
        if final:
            spans.append((max(stop - 1, 0), stop))
        if len(self._config.nodes) == 1 and not self._config.acknowledged:
            spans.append((0, stop))
        if not self._calm:
            spans.append((0, 0))
        return sorted(spans)

    def _sent_by_bus(
        self, periods: BusyPeriods, start: int, stop: int, limit: int
    ) -> tuple[list[Transmission], int]:
        """Let `BusRun` send the periods from `start` up to `stop`, and on until calm, at most to `limit`.

        Returns:
            The transmissions, and the period up to which it went.
        """
        bus, out, more = self._bus, [], FIRST_PERIODS
        while True:
            bus.submit(_releases(periods, start, stop))
            out += bus.advance(periods.edge_ns(stop))
            self._calm = bus.calm and bus.free_ns <= periods.edge_ns(stop)
            if self._calm or stop == limit:
                return out, stop
            start, stop = stop, min(stop + more, limit)
            more *= 2


def transmit(
    config: BusConfig,
    traffic: Traffic,
    disturbances: Iterable[Disturbance] = (),
    seed: int = 0,
    until_ns: int | None = None,
) -> tuple[Sent, list[StateChange]]:
    """Return what became of `traffic`, in the order in which it ended, and the changes of state of the nodes.

    The arguments and what is raised are those of `BatchBus`.
    """
    bus = BatchBus(config, disturbances, seed, until_ns)
    return joined([bus.take(traffic), bus.finish()]), bus.changes


def _sent_quietly(periods: BusyPeriods, start: int, stop: int) -> Sent:
    """Return the transmissions of the periods from `start` up to `stop`, of which none needs `BusRun`."""
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
        error=np.full((n, 4), -1, np.int16),
    )


def _releases(periods: BusyPeriods, start: int, stop: int) -> list[Release]:
    rows = _in_order_of_release(periods, start, stop)
    return releases_of(Traffic(periods.frames.take(rows), periods.node[rows]))


def _in_order_of_release(periods: BusyPeriods, start: int, stop: int) -> NDArray[np.intp]:
    """Return the rows of the periods from `start` up to `stop`."""
    rows = np.arange(periods.first[start], periods.first[stop])
    return rows[np.argsort(periods.serial[rows])]


def _together(pieces: list[Traffic]) -> Traffic:
    return Traffic(join(piece.frames for piece in pieces), np.concatenate([piece.node for piece in pieces]))


def joined(pieces: Sequence[Sent]) -> Sent:
    """Return the transmissions of `pieces` one after the other."""
    names = [field.name for field in fields(Sent)[1:]]
    columns = {name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names}
    frames = join(piece.frames for piece in pieces)
    return Sent(replace(frames, line=np.arange(1, len(frames) + 1)), **columns)
