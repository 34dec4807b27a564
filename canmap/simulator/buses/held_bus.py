"""Simulator: a bus that something holds dominant for a while: a short, or a transceiver that does not let go.

All nodes see six equal bits, flag an error, and then wait for the bus to be recessive. Whoever was sending
counts 8 for every 8 bits and so is bus-off within a millisecond; the others become error passive (ISO
11898-1, from memory). A recorder tells of the one error with which it begins: what adapters report of the
time after it differs (common practice).
"""

from __future__ import annotations

from functools import partial

from canmap.simulator.buses.arbitration import BusRun
from canmap.simulator.buses.attempt import FLAG, Failure
from canmap.simulator.buses.confinement import SEQUENCE_BITS
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.frame_bits import INTERMISSION, RECESSIVE_END
from canmap.simulator.buses.network import (
    BusError,
    Disturbance,
    Dominant,
    ErrorKind,
    Outcome,
    Transmission,
)

SEQUENCE = 8  # dominant bits for which everybody counts
ENOUGH = 32 * SEQUENCE  # after which whoever was sending is bus-off
NO_FRAME = Frame(0)


class HeldBus(BusRun):
    """One bus, step by step, as `BusRun`; something may hold it dominant."""

    def _plan(self, disturbances: tuple[Disturbance, ...]) -> None:
        self._held_ns = 0  # until when it is held
        super()._plan(disturbances)
        for what in disturbances:
            if isinstance(what, Dominant):
                self._at(what.start_ns, partial(self._hold, stop_ns=what.stop_ns))

    def _idle_from(self, end_ns: int) -> None:
        if end_ns < self._held_ns:
            self._recessive_ns, self.free_ns = self._held_ns, self._held_ns + SEQUENCE_BITS * self._bit_ns
        else:  # as `BusRun`, whose method is not called, as this is done for every frame
            self._recessive_ns = end_ns - RECESSIVE_END * self._bit_ns
            self.free_ns = end_ns + INTERMISSION * self._bit_ns

    def _hold(self, t_ns: int, *, stop_ns: int) -> None:
        """Hold the bus dominant, at least until what is being sent would have ended."""
        flight, was_held = self._flight, t_ns < self._held_ns
        idle = flight is None and t_ns >= self.free_ns
        self._held_ns = max(self._held_ns, stop_ns, flight.end_ns if flight else 0)
        self._flight = None
        self._idle_from(t_ns)
        if flight is not None:
            bit = (t_ns - flight.start_ns) // self._bit_ns + FLAG - 1
            failures = tuple([Failure(each, ErrorKind.STUFF, bit) for each in flight.entries])
            self._destroyed(t_ns, flight.start_ns, failures, seen=True)
        elif idle and not was_held:  # an error that all see while nobody sends: a frame of no content
            self._confinement.failed(t_ns, (), ErrorKind.STUFF)
            error = BusError(ErrorKind.STUFF, FLAG - 1, 0, max(self._confinement.receive))
            self._out.append(Transmission(t_ns, 0, NO_FRAME, t_ns, 1, Outcome.DESTROYED, t_ns, error))
        until_ns = min(self._held_ns, t_ns + ENOUGH * self._bit_ns)
        if not was_held and until_ns > t_ns:
            senders = [each.node for each in flight.entries] if flight else []
            sequences = (until_ns - t_ns) // (SEQUENCE * self._bit_ns)
            self._at(until_ns, partial(self._stay, senders=senders, sequences=sequences))

    def _stay(self, t_ns: int, *, senders: list[int], sequences: int) -> None:
        """Count what everybody counts while the bus stays dominant."""
        senders = [node for node in senders if not self._confinement.silent(node)]
        self._confinement.held(t_ns, senders, sequences)
        for node in senders:
            if self._confinement.silent(node):
                self._fall(t_ns, node)
