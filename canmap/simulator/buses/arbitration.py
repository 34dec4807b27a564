"""Simulator: releases to transmissions, one bus, as a discrete-event simulation.

In: releases in any order within a call, and disturbances. Out: transmissions in the order in which they end.
Same input and seed, same output, however the run is cut into calls of `advance`.

A frame that has been started is sent to its end, even if its node loses its supply meanwhile. Propagation
and oscillator tolerances are left out: all nodes see the same bit at once.
"""

from __future__ import annotations

from functools import partial
from heapq import heappop, heappush
from operator import itemgetter
from random import Random
from typing import TYPE_CHECKING

from canmap.base.errors import UsageError
from canmap.simulator.buses.attempt import DESTROYED, SENT, Ending, Flight, Hazards, new_flight
from canmap.simulator.buses.babbling import BABBLER_WAIT_NS, repeats
from canmap.simulator.buses.confinement import ERROR_PASSIVE, SEQUENCE_BITS, Confinement
from canmap.simulator.buses.frame import arbitration_key
from canmap.simulator.buses.frame_bits import INTERMISSION, RECESSIVE_END, SUSPENSION, wire_length
from canmap.simulator.buses.network import (
    Babble,
    NodeState,
    Outcome,
    Release,
    SupplyLoss,
    Transmission,
    WireFault,
    new_error,
    new_transmission,
)
from canmap.simulator.buses.transmit_queue import TransmitQueue, new_entry, winner

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.frame_bits import WireLength
    from canmap.simulator.buses.network import BusConfig, Disturbance
    from canmap.simulator.buses.transmit_queue import QueuedFrame

NEVER = 1 << 62
LAST_WAIT_NS = 1_000_000_000

_GIVEN_UP = {NodeState.BUS_OFF: Outcome.BUS_OFF, NodeState.UNPOWERED: Outcome.NODE_OFF}


class BusRun:
    """One bus, step by step: for a kit that reacts to what it receives.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.
        seed: Of everything random.

    Attributes:
        changes: Every change of a node's fault confinement state so far, in order.
        free_ns: From when on a frame may start, if none is being sent.

    Raises:
        UsageError: A disturbance names a node that the bus has not.
    """

    def __init__(self, config: BusConfig, disturbances: Iterable[Disturbance] = (), seed: int = 0) -> None:
        disturbances = tuple(disturbances)
        self._config = config
        self._bit_ns, self._data_bit_ns = config.bit_ns, config.data_bit_ns
        self._competing: list[QueuedFrame] = []
        self._queues = [TransmitQueue(node, self._competing) for node in config.nodes]
        self._plain = [queue.plain for queue in self._queues]
        self._confinement = Confinement(config)
        self._recovering = self._confinement.recovering
        self.changes, self.free_ns = self._confinement.changes, 0
        self._wire_faults = tuple(fault for fault in disturbances if isinstance(fault, WireFault))
        self._hazards = Hazards(config, self._wire_faults, self._confinement, Random(seed))
        self._events: list[tuple[int, int, Callable[[int], None]]] = []  # a heap: time, order, what to do
        self._releases: list[Release] = []
        self._next, self._next_ns = 0, NEVER  # the first of them not taken in, and when it is released
        self._order = self._serial = 0  # of events at the same time; of the newest entry
        self._flight: Flight | None = None
        self._recessive_ns = 0  # since when the bus is recessive, while nothing is sent
        self._attempts: dict[int, int] = {}  # of entries that were destroyed, by serial
        self._babbling: dict[int, Babble] = {}  # entries of babblers, by serial
        self._suspended: dict[int, int] = {}  # error passive senders, and until when they wait
        self._until_ns = 0
        self._limit_ns = 0  # up to where the call of `advance` goes that is under way
        self._out: list[Transmission] = []
        self._plan(disturbances)

    @property
    def calm(self) -> bool:
        """Whether nothing waits or is being sent, and every node is error active with counters 0."""
        return self._flight is None and not self._competing and self._confinement.calm

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

    def advance(self, until_ns: int) -> list[Transmission]:
        """Return what ended before `until_ns` and was not returned yet, ordered by `t_ns`."""
        self._limit_ns = until_ns
        while True:
            if not (self._flight or self._recovering or self._babbling):
                self._send_in_turn(until_ns)
            flight = self._flight
            if flight is not None:
                end_ns = flight[0]
                if end_ns >= until_ns:
                    break
                if self._next_ns < end_ns or self._events or self._recovering:
                    self._admit(end_ns - 1)
                if self._flight is flight:  # nothing has cut it short
                    self._land(flight)
                continue
            now_ns = max(self.free_ns, self._ready_ns())
            if now_ns >= until_ns:
                break
            if self._next_ns <= now_ns or self._events or self._recovering:
                self._admit(now_ns)
            if self._competing and self.free_ns <= now_ns:
                self._take_off(now_ns)
        self._admit(until_ns - 1)
        self._until_ns = max(self._until_ns, until_ns)
        out, self._out = self._out, []
        return out

    def finish(self) -> list[Transmission]:
        """Return what still waits, as UNSENT, at the time of the last `advance`; nothing released later."""
        waiting = self._flight.entries if self._flight else []
        self._flight = None
        for node, queue in enumerate(self._queues):
            waiting += queue.clear(node)
        for entry in sorted(waiting, key=lambda entry: entry.serial):
            self._give_up(self._until_ns, entry, Outcome.UNSENT)
        out, self._out = self._out, []
        return out

    # What comes in

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

    def _ready_ns(self) -> int:
        """Return when the next thing can happen while nothing is sent: a start, a release, an event."""
        ready_ns = NEVER
        if self._competing:
            if not self._suspended:
                return 0
            if self._competing[0].node not in self._suspended:
                return 0
            ready_ns = min(self._suspended.get(entry.node, 0) for entry in self._competing)
            if ready_ns <= self.free_ns:
                return ready_ns
        event_ns = self._event_ns() if self._events or self._recovering else NEVER
        return min(ready_ns, self._next_ns, event_ns)

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
        entry = new_entry((key, serial, node, t_ns, frame, length))
        if not self._confinement.calm and self._confinement.silent(node):
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

    # What is on the bus

    def _take_off(self, now_ns: int) -> None:
        """Start what wins the arbitration at `now_ns`, if any of those that wait may start."""
        competing, fate = self._competing, None
        entry = winner(competing, self._suspended, now_ns) if self._suspended else heappop(competing)
        if entry is None:
            return
        rival = competing[0] if competing and competing[0][0] == entry[0] else None
        if rival and (rival.node == entry.node or rival.node in self._suspended):
            rival = None
        if rival or not self._sheltered:
            if self._recovering:
                self._count_recessive(now_ns)
            elif not rival and entry.node == self._hazards.doomed and self._try_in_vain(entry, now_ns):
                return
            fate = self._hazards.fate(now_ns, entry, rival)
        if fate is not None:
            span_ns, endings, seen = fate
            if rival and any(ending.entry is rival for ending in endings):
                heappop(competing)
            self._flight = new_flight((now_ns + span_ns, now_ns, entry, endings, seen))
            return
        nominal, data = entry[5] or wire_length(entry[4])
        end_ns = now_ns + nominal * self._bit_ns + data * self._data_bit_ns
        self._flight = new_flight((end_ns, now_ns, entry, None, True))

    def _send_in_turn(self, until_ns: int) -> None:
        """Send frame after frame, as long as each goes well and nothing but releases comes between.

        It does what `_take_off` and `_land` do, for the usual frame, in a third of the time.
        """
        competing, confinement, attempts, plain = self._competing, self._confinement, self._attempts, self._plain
        fate = self._hazards.fate if self._wire_faults or confinement.alone else None
        bit_ns, data_bit_ns, out = self._bit_ns, self._data_bit_ns, self._out
        edge_ns = min(until_ns, self._events[0][0]) if self._events else until_ns
        doomed = self._hazards.doomed
        suspended, state, suspension_ns = self._suspended, confinement.state, SUSPENSION * bit_ns
        free_ns, idle_ns, recessive_ns = self.free_ns, INTERMISSION * bit_ns, RECESSIVE_END * bit_ns
        while True:
            now_ns = free_ns
            if self._next_ns <= now_ns or not competing:
                now_ns = max(now_ns, self._next_ns) if not competing else now_ns
                if now_ns >= edge_ns:
                    break
                self._admit_releases(now_ns)
                if not competing:
                    continue
            elif now_ns >= edge_ns:
                break
            entry = heappop(competing)
            key, serial, node, queued_ns, frame, length = entry
            rival = competing and competing[0][0] == key and competing[0][2] != node
            if rival or (node in suspended and suspended[node] > now_ns):
                heappush(competing, entry)
                break
            if node == doomed and self._try_in_vain(entry, now_ns):
                return
            if fate is not None and (ended := fate(now_ns, entry, None)) is not None:
                self._flight = new_flight((now_ns + ended[0], now_ns, entry, ended[1], ended[2]))
                break
            nominal, data = length or wire_length(frame)
            end_ns = now_ns + nominal * bit_ns + data * data_bit_ns
            if end_ns >= edge_ns:
                self._flight = new_flight((end_ns, now_ns, entry, None, True))
                break
            if self._next_ns < end_ns:
                self._admit_releases(end_ns - 1)
            free_ns = end_ns + idle_ns
            tried = attempts.pop(serial, 0) + 1 if attempts else 1
            out.append(new_transmission((end_ns, node, frame, queued_ns, tried, SENT, now_ns, None)))
            if not plain[node]:
                self._queues[node].release_mailbox()
            if not confinement.calm:
                confinement.sent(end_ns, node)
                if state[node] is ERROR_PASSIVE:
                    suspended[node] = free_ns + suspension_ns
        if free_ns != self.free_ns:
            self.free_ns, self._recessive_ns = free_ns, free_ns - idle_ns - recessive_ns

    @property
    def _sheltered(self) -> bool:
        """Whether all goes well with a frame that no other node sends at the same time."""
        return self._confinement.calm and not (self._wire_faults or self._confinement.alone)

    def _land(self, flight: Flight) -> None:
        """End what is on the bus."""
        end_ns, start_ns, entry, endings, seen = flight
        self._flight = None
        self._idle_from(end_ns)
        if endings is None:
            self._sent(end_ns, start_ns, entry, SENT, alone=True)
            return
        for ending in endings:
            if ending.outcome is not DESTROYED:
                self._sent(end_ns, start_ns, ending.entry, ending.outcome)
        if destroyed := tuple([ending for ending in endings if ending.outcome is DESTROYED]):
            self._destroyed(end_ns, start_ns, destroyed, seen=seen)

    def _idle_from(self, end_ns: int) -> None:
        self.free_ns = end_ns + INTERMISSION * self._bit_ns
        self._recessive_ns = end_ns - RECESSIVE_END * self._bit_ns

    def _sent(
        self, end_ns: int, start_ns: int, entry: QueuedFrame, outcome: Outcome, *, alone: bool = False
    ) -> None:
        _, serial, node, queued_ns, frame, _ = entry
        attempts = self._attempts.pop(serial, 0) + 1 if self._attempts else 1
        made = (end_ns, node, frame, queued_ns, attempts, outcome, start_ns, None)
        self._out.append(new_transmission(made))
        if not self._plain[node]:
            self._queues[node].release_mailbox()
        if not self._confinement.calm:
            self._confinement.sent(end_ns, node)
            if not self._confinement.calm:
                self._suspend(end_ns, node)
        if serial in self._babbling:
            babble = self._babbling.pop(serial)
            if alone:
                end_ns = self._repeat(babble, entry, end_ns, start_ns)
            self._at(end_ns + babble.gap_ns, partial(self._babble, babble=babble))

    def _repeat(self, babble: Babble, entry: QueuedFrame, end_ns: int, start_ns: int) -> int:
        """Let a babbler send again as often as nothing can come between; return when it ends."""
        key, _, node, _, frame, _ = entry
        competing, idle_ns = self._competing, INTERMISSION * self._bit_ns
        waits = competing and (competing[0][0] <= key or babble.gap_ns > idle_ns)
        if waits or not self._sheltered or not (self._plain[node] or self._queues[node].empty):
            return end_ns
        edge_ns = min(self._limit_ns - 1, self._next_ns, self._event_ns())
        if more := repeats(babble, frame, start_ns, end_ns, idle_ns, edge_ns):
            self._out += more
            self._serial += len(more)
            end_ns = more[-1].t_ns
            self._idle_from(end_ns)
        return end_ns

    def _destroyed(self, end_ns: int, start_ns: int, endings: tuple[Ending, ...], *, seen: bool) -> None:
        confinement = self._confinement
        senders = tuple([ending.entry.node for ending in endings])
        confinement.failed(end_ns, senders, endings[0].kind, seen=seen)
        for entry, outcome, kind, bit in endings:
            _, serial, node, queued_ns, frame, _ = entry
            attempts = self._attempts[serial] = self._attempts.get(serial, 0) + 1
            error = new_error((kind, bit, confinement.transmit[node], confinement.worst_receive(node)))
            made = (end_ns, node, frame, queued_ns, attempts, outcome, start_ns, error)
            self._out.append(new_transmission(made))
            heappush(self._competing, entry)
            if confinement.alone and len(endings) == 1:
                end_ns = self._try_unanswered(entry, end_ns)
            self._failed(end_ns, node)

    def _try_in_vain(self, entry: QueuedFrame, now_ns: int) -> bool:
        """Let a node try as often as it is sure to fail and nothing can come between; return whether it did."""
        node, serial = entry.node, entry.serial
        alone = all(each[2] == node for each in self._competing)
        edge_ns = min(self._limit_ns - 1, self._next_ns, self._events[0][0] if self._events else NEVER)
        tried = self._attempts.get(serial, 0)
        made = self._hazards.sure_failures(entry, tried, now_ns, edge_ns, alone=alone)
        if made:
            self._out += made
            self._attempts[serial] = tried + len(made)
            self._idle_from(made[-1].t_ns)
            heappush(self._competing, entry)
            self._failed(made[-1].t_ns, node)
        return bool(made)

    def _try_unanswered(self, entry: QueuedFrame, end_ns: int) -> int:
        """Let a node that nobody acknowledges try again until something can come between; return the end."""
        competing = self._competing
        held = self.free_ns > end_ns + INTERMISSION * self._bit_ns
        if held or competing[0] is not entry or self._recovering:
            return end_ns
        alone = all(each[2] == entry.node for each in competing)
        edge_ns = min(self._limit_ns - 1, self._next_ns, self._event_ns())
        if more := self._hazards.unanswered(self._out[-1], edge_ns, alone=alone):
            self._out += more
            self._attempts[entry.serial] += len(more)
            end_ns = more[-1].t_ns
            self._idle_from(end_ns)
        return end_ns

    def _failed(self, end_ns: int, node: int) -> None:
        """Let a node whose attempt failed wait, or give up, as its state demands."""
        if self._confinement.silent(node):
            self._fall(end_ns, node)
        self._suspend(end_ns, node)

    def _fall(self, t_ns: int, node: int) -> None:
        """Give up what waits in a node that became bus-off; let it come back when its program wants to."""
        self._clear(t_ns, node)
        if wait_ns := self._config.nodes[node].recovery_ns:
            self._at(t_ns + wait_ns, partial(self._ask, node=node, off_ns=t_ns))

    def _suspend(self, end_ns: int, node: int) -> None:
        if self._confinement.passive(node):
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

    # What happens to the nodes

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
