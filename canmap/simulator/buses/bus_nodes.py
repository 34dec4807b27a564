"""Simulator: the nodes of one bus: what they hand over, what waits, when they fall silent and come back.

In: releases in any order within a call, and disturbances. Out: frames that compete for the bus, and those
that never got there.
"""

from __future__ import annotations

from functools import partial
from heapq import heappop, heappush
from operator import itemgetter
from typing import TYPE_CHECKING

from canmap.base.errors import UsageError
from canmap.simulator.buses.babbling import BABBLER_WAIT_NS
from canmap.simulator.buses.confinement import BUS_OFF, ERROR_PASSIVE, SEQUENCE_BITS, Confinement
from canmap.simulator.buses.frame import arbitration_key
from canmap.simulator.buses.frame_bits import INTERMISSION, SUSPENSION, wire_length
from canmap.simulator.buses.network import Babble, NodeState, Outcome, Release, SupplyLoss, Transmission
from canmap.simulator.buses.transmit_queue import TransmitQueue, new_entry

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.simulator.buses.attempt import Flight
    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.frame_bits import WireLength
    from canmap.simulator.buses.network import BusConfig, Disturbance
    from canmap.simulator.buses.transmit_queue import QueuedFrame

NEVER = 1 << 62

_GIVEN_UP = {NodeState.BUS_OFF: Outcome.BUS_OFF, NodeState.UNPOWERED: Outcome.NODE_OFF}


class BusNodes:
    """The nodes of one bus, step by step; `BusRun` lets them send.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.

    Attributes:
        changes: Every change of a node's fault confinement state so far, in order.
        outages: Those of them by which a node falls silent or comes back.

    Raises:
        UsageError: A disturbance names a node that the bus has not.
    """

    def __init__(self, config: BusConfig, disturbances: tuple[Disturbance, ...]) -> None:
        self._config = config
        self._bit_ns, self._data_bit_ns = config.bit_ns, config.data_bit_ns
        self._competing: list[QueuedFrame] = []
        self._queues = [TransmitQueue(node, self._competing) for node in config.nodes]
        self._plain = [queue.plain for queue in self._queues]
        self._confinement = Confinement(config)
        self._recovering = self._confinement.recovering
        self.changes, self.outages = self._confinement.changes, self._confinement.outages
        self._events: list[tuple[int, int, Callable[[int], None]]] = []  # a heap: time, order, what to do
        self._releases: list[Release] = []
        self._next, self._next_ns = 0, NEVER  # the first of them not taken in, and when it is released
        self._order = self._serial = 0  # of events at the same time; of the newest entry
        self._flight: Flight | None = None  # what is on the bus
        self._recessive_ns = 0  # since when the bus is recessive, while nothing is sent
        self._attempts: dict[int, int] = {}  # of entries that were destroyed, by serial
        self._babbling: dict[int, Babble] = {}  # entries of babblers, by serial
        self._suspended: dict[int, int] = {}  # error passive senders, and until when they wait
        self._until_ns = 0
        self._out: list[Transmission] = []
        self._plan(disturbances)

    def submit(self, releases: Iterable[Release]) -> None:
        """Add releases, in any order, none earlier than the last `advance`.

        Raises:
            UsageError: One is earlier, or names a node that the bus has not.
        """
        new = sorted(releases, key=itemgetter(0))
        if not new:
            return
        if new[0][0] < self._until_ns:
            raise UsageError(
                f"bus {self._config.name}: a release at {new[0][0]} ns comes after the bus was simulated"
                f" to {self._until_ns} ns; submit it earlier."
            )
        self._config.check_nodes({release[1] for release in new}, "a release")
        if self._next < len(self._releases):
            new = sorted(self._releases[self._next :] + new, key=itemgetter(0))
        self._releases, self._next, self._next_ns = new, 0, new[0][0]

    def _plan(self, disturbances: tuple[Disturbance, ...]) -> None:
        for what in disturbances:
            self._config.check_nodes(() if what.node is None else (what.node,), "a disturbance")
            if isinstance(what, SupplyLoss):
                self._at(what.start_ns, partial(self._switch, node=what.node, on=False))
                self._at(what.stop_ns, partial(self._switch, node=what.node, on=True))
            elif isinstance(what, Babble):
                self._at(what.start_ns, partial(self._babble, babble=what))

    def _at(self, t_ns: int, action: Callable[[int], None]) -> None:
        self._order += 1
        heappush(self._events, (t_ns, self._order, action))

    def _event_ns(self) -> int:
        """Return when the next event happens; the end of a recovery is one while the bus is idle."""
        event_ns = self._events[0][0] if self._events else NEVER
        if not self._recovering or self._flight is not None:
            return event_ns
        sequences_ns = min(self._recovering.values()) * SEQUENCE_BITS * self._bit_ns
        return min(event_ns, self._recessive_ns + sequences_ns)

    def _admit(self, limit_ns: int) -> None:
        """Take in releases and let events happen up to `limit_ns`, that included, in order of time."""
        if self._events or self._recovering:
            while (t_ns := self._event_ns()) <= limit_ns:
                self._admit_releases(t_ns - 1)
                if self._events and self._events[0][0] == t_ns:
                    heappop(self._events)[2](t_ns)
                else:
                    self._count_recessive(t_ns)
        self._admit_releases(limit_ns)

    def _admit_releases(self, limit_ns: int) -> None:
        if self._next_ns > limit_ns:
            return
        releases, place, stop = self._releases, self._next, len(self._releases)
        while place < stop and releases[place][0] <= limit_ns:
            t_ns, node, frame, length = releases[place]
            place += 1
            self._enqueue(t_ns, node, frame, length)
        self._next = place
        self._next_ns = releases[place][0] if place < stop else NEVER

    def _enqueue(self, t_ns: int, node: int, frame: Frame, length: WireLength | None = None) -> None:
        self._serial = serial = self._serial + 1
        can_id, _, extended, remote, _, _ = frame
        plain = not (extended or remote)
        key = can_id << 21 if plain else arbitration_key(can_id, extended=extended, remote=remote)
        entry = new_entry((key, serial, node, t_ns, frame, length or wire_length(frame)))
        if self._confinement.state[node] >= BUS_OFF:
            self._give_up(t_ns, entry, _GIVEN_UP[self._confinement.state[node]])
        elif self._plain[node]:
            heappush(self._competing, entry)
        else:
            for lost, outcome in self._queues[node].put(entry):
                self._give_up(t_ns, lost, outcome)

    def _give_up(self, t_ns: int, entry: QueuedFrame, outcome: Outcome) -> None:
        _, serial, node, queued_ns, frame, _ = entry
        attempts = self._attempts.pop(serial, 0)
        self._out.append(Transmission(t_ns, node, frame, queued_ns, attempts, outcome, t_ns))
        if serial in self._babbling:
            self._at(t_ns + BABBLER_WAIT_NS, partial(self._babble, babble=self._babbling.pop(serial)))

    def _failed(self, end_ns: int, node: int) -> None:
        """Let a node whose attempt failed wait, or give up, as its state demands."""
        state = self._confinement.state[node]
        if state is ERROR_PASSIVE:
            self._suspend(end_ns, node)
        elif state >= BUS_OFF:
            self._fall(end_ns, node)

    def _fall(self, t_ns: int, node: int) -> None:
        """Give up what waits in a node that became bus-off; let it come back when its program wants to."""
        self._clear(t_ns, node)
        if wait_ns := self._config.nodes[node].recovery_ns:
            self._at(t_ns + wait_ns, partial(self._ask, node=node, off_ns=t_ns))

    def _suspend(self, end_ns: int, node: int) -> None:
        """Let an error passive sender wait."""
        self._suspended[node] = end_ns + (INTERMISSION + SUSPENSION) * self._bit_ns

    def _clear(self, t_ns: int, node: int) -> None:
        outcome = _GIVEN_UP[self._confinement.state[node]]
        for entry in self._queues[node].clear(node):
            self._give_up(t_ns, entry, outcome)

    def _count_recessive(self, now_ns: int) -> None:
        """Count the recessive sequences up to `now_ns` towards the recovery of nodes that are bus-off."""
        sequence_ns = SEQUENCE_BITS * self._bit_ns
        sequences = max(0, now_ns - self._recessive_ns) // sequence_ns
        self._confinement.count_recessive(sequences)
        self._recessive_ns += sequences * sequence_ns
        self._confinement.recover(now_ns)

    def _ask(self, t_ns: int, *, node: int, off_ns: int) -> None:
        if self._flight is None:
            if self._recovering:
                self._count_recessive(t_ns)
            self._recessive_ns = max(self._recessive_ns, t_ns)  # what others count ends one late at most
        self._confinement.ask(node, off_ns)

    def _switch(self, t_ns: int, *, node: int, on: bool) -> None:
        self._confinement.supply(t_ns, node, on=on)
        if not on:
            self._clear(t_ns, node)

    def _babble(self, t_ns: int, *, babble: Babble) -> None:
        if t_ns >= babble.stop_ns:
            return
        if self._confinement.silent(babble.node):
            self._at(t_ns + BABBLER_WAIT_NS, partial(self._babble, babble=babble))
            return
        self._babbling[self._serial + 1] = babble
        self._enqueue(t_ns, babble.node, babble.frame)
