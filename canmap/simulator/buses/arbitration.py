"""Simulator: releases to transmissions, one bus, as a discrete-event simulation.

In: releases in any order within a call, and disturbances. Out: transmissions in the order in which they end.
Same input and seed, same output, however the run is cut into calls of `advance`.

A frame that has been started is sent to its end, even if its node loses its supply meanwhile. Propagation
and oscillator tolerances are left out: all nodes see the same bit at once.
"""

from __future__ import annotations

from functools import partial
from heapq import heappop, heappush
from random import Random
from typing import TYPE_CHECKING

from canmap.simulator.buses.attempt import DESTROYED, SENT, Edges, Failure, Fate, Flight, Hazards, new_flight
from canmap.simulator.buses.babbling import repeats
from canmap.simulator.buses.bus_nodes import NEVER, BusNodes
from canmap.simulator.buses.confinement import BUS_OFF, ERROR_PASSIVE, SEQUENCE_BITS
from canmap.simulator.buses.frame_bits import INTERMISSION, RECESSIVE_END
from canmap.simulator.buses.network import Outcome, Transmission, WireFault, new_error, new_transmission
from canmap.simulator.buses.transmit_queue import winner

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.buses.network import Babble, BusConfig, Disturbance
    from canmap.simulator.buses.transmit_queue import QueuedFrame

LAST_WAIT_NS = 1_000_000_000


class BusRun(BusNodes):
    """One bus, step by step: for a kit that reacts to what it receives.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.
        seed: Of everything random.

    Attributes:
        free_ns: From when on a frame may start, if none is being sent.

    Raises:
        UsageError: A disturbance names a node that the bus has not.
    """

    def __init__(self, config: BusConfig, disturbances: Iterable[Disturbance] = (), seed: int = 0) -> None:
        disturbances = tuple(disturbances)
        super().__init__(config, disturbances)
        self._wire_faults = tuple(fault for fault in disturbances if isinstance(fault, WireFault))
        self._hazards = Hazards(config, self._wire_faults, self._confinement, Random(seed))
        self.free_ns = 0
        self._limit_ns = 0  # up to where the call of `advance` goes that is under way

    @property
    def calm(self) -> bool:
        """Whether nothing waits or is being sent, and every node is error active with counters 0."""
        return self._flight is None and not self._competing and self._confinement.calm

    def advance(self, until_ns: int) -> list[Transmission]:
        """Return what ended before `until_ns` and was not returned yet, ordered by `t_ns`."""
        self._limit_ns = until_ns
        while True:
            if not (self._flight or self._babbling):
                self._send_in_turn(until_ns)
            flight = self._flight
            if flight is not None:
                end_ns = flight[0]
                if end_ns >= until_ns:
                    break
                if self._next_ns < end_ns or self._events or self._recovering:
                    self._admit(end_ns - 1)
                if self._flight is flight:  # nothing has cut it short
                    self._flight = None
                    self._end(*flight)
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

    def _ready_ns(self) -> int:
        """Return when the next thing can happen while nothing is sent: a start, a release, an event."""
        ready_ns = self._may_start_ns() if self._competing else NEVER
        if ready_ns <= self.free_ns:
            return ready_ns
        event_ns = self._event_ns() if self._events or self._recovering else NEVER
        return min(ready_ns, self._next_ns, event_ns)

    def _may_start_ns(self) -> int:
        """Return when the first of those that wait is no longer suspended."""
        suspended = self._suspended
        return min([suspended.get(entry[2], 0) for entry in self._competing]) if suspended else 0

    def _send_in_turn(self, until_ns: int) -> None:
        """Send frame after frame, as long as nothing but releases comes between and no two begin together.

        So does `advance`, for whatever comes between; here a frame takes half of the time.
        """
        competing, suspended, recovering = self._competing, self._suspended, self._recovering
        doomed, fate_of, state = self._hazards.doomed, self._hazards.fate, self._confinement.state
        at_risk = bool(self._wire_faults) or self._confinement.alone
        edge_ns = min(until_ns, self._events[0][0]) if self._events else until_ns
        ready_ns = 0  # when one may start, while all that wait are suspended
        goes_on = True
        while goes_on:
            now_ns = max(self.free_ns, ready_ns if competing else self._next_ns)
            if now_ns >= edge_ns or (recovering and not self._still_recovering(now_ns)):
                return
            if self._next_ns <= now_ns:
                self._admit_releases(now_ns)
                if not competing:
                    continue
            entry = winner(competing, suspended, now_ns) if suspended else heappop(competing)
            if entry is None:
                ready_ns = min(self._next_ns, self._may_start_ns())
                continue
            key, _, node, _, _, _ = entry
            if competing and competing[0][0] == key and competing[0][2] != node:
                heappush(competing, entry)
                self.free_ns = now_ns  # both are released now: neither starts before
                return
            ready_ns = 0
            suspended.pop(node, None)
            if node != doomed or recovering or not self._try_in_vain(entry, now_ns):
                fate = fate_of(now_ns, entry, None) if at_risk else None
                if not self._send(now_ns, entry, fate, edge_ns):
                    return
            goes_on = state[node] < BUS_OFF

    def _send(self, start_ns: int, entry: QueuedFrame, fate: Fate | None, edge_ns: int) -> bool:
        """Send a frame up to its end, or begin it if it ends too late; tell whether it has ended."""
        nominal, data = entry[5]
        taken_ns = fate[0] if fate else nominal * self._bit_ns + data * self._data_bit_ns
        end_ns = start_ns + taken_ns
        if end_ns >= edge_ns:
            self._flight = new_flight((end_ns, start_ns, entry, fate))
            return False
        if self._next_ns < end_ns:
            self._admit_releases(end_ns - 1)
        self._end(end_ns, start_ns, entry, fate)
        return True

    def _still_recovering(self, now_ns: int) -> bool:
        """Count what those that are bus-off have seen up to a start of frame; tell whether none is back."""
        sequence_ns = SEQUENCE_BITS * self._bit_ns
        sequences = (now_ns - self._recessive_ns) // sequence_ns
        if sequences >= min(self._recovering.values()):
            return False
        if sequences > 0:
            self._confinement.count_recessive(sequences)
            self._recessive_ns += sequences * sequence_ns
        return True

    def _take_off(self, now_ns: int) -> None:
        """Start what wins the arbitration at `now_ns`, if any of those that wait may start."""
        competing = self._competing
        entry = winner(competing, self._suspended, now_ns) if self._suspended else heappop(competing)
        if entry is None:
            return
        self._suspended.pop(entry.node, None)
        rival = competing[0] if competing and competing[0][0] == entry[0] else None
        if rival and (rival.node == entry.node or self._suspended.get(rival.node, 0) > now_ns):
            rival = None
        if self._recovering:
            self._count_recessive(now_ns)
        elif not rival and entry.node == self._hazards.doomed and self._try_in_vain(entry, now_ns):
            return
        self._flight = self._begun(now_ns, entry, rival)
        if rival and any(each is rival for each in self._flight.entries):
            heappop(competing)

    def _begun(self, now_ns: int, entry: QueuedFrame, rival: QueuedFrame | None = None) -> Flight:
        """Return what is on the bus once `entry` is begun, and `rival` with it, which has its identifier."""
        if rival or self._wire_faults or self._confinement.alone:
            fate = self._hazards.fate(now_ns, entry, rival)
            if fate is not None:
                return new_flight((now_ns + fate[0], now_ns, entry, fate))
        nominal, data = entry[5]
        end_ns = now_ns + nominal * self._bit_ns + data * self._data_bit_ns
        return new_flight((end_ns, now_ns, entry, None))

    @property
    def _sheltered(self) -> bool:
        """Whether all goes well with a frame that no other node sends at the same time."""
        return self._confinement.calm and not (self._wire_faults or self._confinement.alone)

    def _end(self, end_ns: int, start_ns: int, entry: QueuedFrame, fate: Fate | None) -> None:
        """End what is on the bus."""
        self._idle_from(end_ns)
        if fate is None:
            self._sent(end_ns, start_ns, entry, SENT, alone=True)
            return
        for each, outcome in fate.sent:
            self._sent(end_ns, start_ns, each, outcome)
        if fate.failures:
            self._destroyed(end_ns, start_ns, fate.failures, seen=fate.seen)

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
            if self._confinement.state[node] is ERROR_PASSIVE:
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

    def _destroyed(self, end_ns: int, start_ns: int, failures: tuple[Failure, ...], *, seen: bool) -> None:
        confinement = self._confinement
        senders = tuple([entry[2] for entry, _, _ in failures])
        confinement.failed(end_ns, senders, failures[0][1], seen=seen)
        for entry, kind, bit in failures:
            _, serial, node, queued_ns, frame, _ = entry
            attempts = self._attempts[serial] = self._attempts.get(serial, 0) + 1
            error = new_error((kind, bit, confinement.transmit[node], confinement.worst_receive(node)))
            made = (end_ns, node, frame, queued_ns, attempts, DESTROYED, start_ns, error)
            self._out.append(new_transmission(made))
            heappush(self._competing, entry)
            if confinement.alone and len(failures) == 1:
                end_ns = self._try_unanswered(entry, end_ns)
            self._failed(end_ns, node)

    def _try_in_vain(self, entry: QueuedFrame, now_ns: int) -> bool:
        """Let a node try as often as it is sure to fail, if nothing can come between; tell whether it did."""
        node, serial = entry.node, entry.serial
        alone = all(each[2] == node for each in self._competing)
        event_ns = min(self._limit_ns - 1, self._events[0][0] if self._events else NEVER)
        tried, edges = self._attempts.get(serial, 0), Edges(self._next_ns, event_ns, self._admit_releases)
        made = self._hazards.sure_failures(entry, tried, now_ns, edges, alone=alone)
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
