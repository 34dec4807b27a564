"""Simulator: how an attempt to send ends where something is in its way.

In: who starts to send, the faults of the wiring, the error states. Out: the endings of the attempts that were
begun together, and how long the bus is taken. The rules are those of ISO 11898-1, from memory.
"""

from __future__ import annotations

from functools import lru_cache, partial
from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.buses.babbling import unanswered
from canmap.simulator.buses.confinement import ERROR_PASSIVE, RECEIVER_STEP, SENDER_STEP
from canmap.simulator.buses.frame_bits import INTERMISSION, SUSPENSION, WireLength
from canmap.simulator.buses.network import ErrorKind, NodeState, Outcome, new_error, new_transmission
from canmap.simulator.buses.wire import wire_bits

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    from canmap.simulator.buses.confinement import Confinement
    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.network import BusConfig, Transmission, WireFault
    from canmap.simulator.buses.transmit_queue import QueuedFrame

FLAG = 6  # bits of an error flag
DELIMITER = 8  # bits of an error delimiter
AFTER_ACKNOWLEDGE = 8  # bits of a frame after its acknowledge slot
# Names of a module are found ten times as fast as members of an enumeration.
BIT, STUFF, ACKNOWLEDGE = ErrorKind.BIT, ErrorKind.STUFF, ErrorKind.ACKNOWLEDGE
SENT, DESTROYED, SHARED = Outcome.SENT, Outcome.DESTROYED, Outcome.SHARED


class Failure(NamedTuple):
    """An attempt that failed: what was sent, and the kind and the bit of its error."""

    entry: QueuedFrame
    kind: ErrorKind
    bit: int


class Edges(NamedTuple):
    """How far attempts may go that nothing else comes between.

    Attributes:
        release_ns: When the next frame is released: none is begun then or later.
        event_ns: When something else happens: each has ended by then.
        admit: Takes in what is released up to a time.
    """

    release_ns: int
    event_ns: int
    admit: Callable[[int], None]


class Fate(NamedTuple):
    """What becomes of attempts that were begun together.

    Attributes:
        span_ns: How long the bus is taken.
        failures: Those that fail.
        sent: What is sent well: SENT, or SHARED.
        seen: The other nodes see the error.
    """

    span_ns: int
    failures: tuple[Failure, ...] = ()
    sent: tuple[tuple[QueuedFrame, Outcome], ...] = ()
    seen: bool = True


class Flight(NamedTuple):
    """What is on the bus: until when, since when, who won the bus with it, and how it ends if not well."""

    end_ns: int
    start_ns: int
    entry: QueuedFrame
    fate: Fate | None

    @property
    def entries(self) -> list[QueuedFrame]:
        """All that were begun together."""
        if self.fate is None:
            return [self.entry]
        return [entry for entry, _ in self.fate.sent] + [failure.entry for failure in self.fate.failures]


# NamedTuples without their keyword handling, which costs as much as the rest of an attempt.
new_failure: Callable[[tuple[object, ...]], Failure] = partial(tuple.__new__, Failure)
new_fate: Callable[[tuple[object, ...]], Fate] = partial(tuple.__new__, Fate)
new_flight: Callable[[tuple[object, ...]], Flight] = partial(tuple.__new__, Flight)


class Hazards:
    """What can go wrong with an attempt on one bus."""

    def __init__(
        self, config: BusConfig, faults: tuple[WireFault, ...], confinement: Confinement, random: Random
    ) -> None:
        self._faults = [
            (one.start_ns, one.stop_ns, one.node, one.probability, one.when, one.flagged_by, one)
            for one in faults
        ]
        self._confinement = confinement
        self._random = random
        self._bit_ns, self._data_bit_ns = config.bit_ns, config.data_bit_ns
        self._sure = faults[0] if len(faults) == 1 and faults[0].surely else None
        # The node of which every attempt may be sure to fail.
        self.doomed = self._sure.node if self._sure else None

    def fate(self, start_ns: int, entry: QueuedFrame, rival: QueuedFrame | None) -> Fate | None:
        """Return how the attempt of `entry` ends, with `rival` sending the same identifier; None: well."""
        for first_ns, stop_ns, node, share, when, flagged_by, fault in self._faults:
            if (
                first_ns <= start_ns < stop_ns
                and (node is None or node == entry[2])
                and (when is None or when(start_ns))
                and (flagged_by is None or self._flags(flagged_by, entry[2]))
                and self._random.random() < share
            ):
                return self._struck(entry, fault)
        if rival is not None:
            return self._collision(entry, rival)
        if self._confinement.alone:
            bit = sum(entry.length) - AFTER_ACKNOWLEDGE - 1
            return self._destroyed((entry,), ACKNOWLEDGE, bit, FLAG)
        return None

    def unanswered(self, sent: Transmission, edge_ns: int, *, alone: bool) -> list[Transmission]:
        """Return the further attempts of the node that sends first, where nobody acknowledges any.

        Args:
            sent: Its newest attempt, which failed.
            edge_ns: Nothing else happens before; an attempt that may end later is left out.
            alone: No other node waits.
        """
        unheard = self._confinement.alone and self._confinement.passive(sent.node)
        if self._faults or not (alone and unheard):
            return []
        period_ns = sent.t_ns - sent.start_ns + (INTERMISSION + SUSPENSION) * self._bit_ns
        return unanswered(sent, period_ns, edge_ns)

    def sure_failures(
        self, entry: QueuedFrame, attempts: int, start_ns: int, edges: Edges, *, alone: bool
    ) -> list[Transmission]:
        """Return the attempts to send `entry` that a fault of its node is sure to destroy.

        They end when the node is bus-off, or error passive while others wait, who come first then.

        Args:
            entry: What is sent.
            attempts: How often it was begun before.
            start_ns: When it is begun now.
            edges: How far they may go.
            alone: No other node waits.
        """
        fault, (_, _, node, queued_ns, frame, length) = self._sure, entry
        if fault is None or fault.node != node or start_ns < fault.start_ns:
            return []
        confinement, flags_ns = self._confinement, (2 * FLAG + DELIMITER) * self._bit_ns
        whole_ns, bits = self._whole_ns(length), sum(length)
        release_ns, event_ns, admit = edges
        latest_ns = min(event_ns - whole_ns - flags_ns, fault.stop_ns - 1, release_ns - 1)
        spared, draw, width = self._random.random, self._random.getrandbits, (bits - 1).bit_length()
        made: list[Transmission] = []
        end_ns = start_ns
        while True:
            passive = confinement.passive(node)
            idle_ns = (INTERMISSION + SUSPENSION * passive) * self._bit_ns
            if made:
                start_ns = end_ns + idle_ns
            times, sent_count, received_count, still = confinement.series(node)
            most, done = 1 if passive and not alone else times, 0
            while done < most and start_ns <= latest_ns:
                spared()  # drawn as for every attempt, though this fault spares none
                while (bit := draw(width) + 1) >= bits:  # as in `_damaged_bit`
                    pass
                end_ns = start_ns + whole_ns * (bit + 1) // bits + flags_ns
                attempts += 1
                done += 1
                sent_count += SENDER_STEP
                received_count += RECEIVER_STEP
                error = new_error((BIT, bit, sent_count, max(received_count, still)))
                made.append(
                    new_transmission((end_ns, node, frame, queued_ns, attempts, DESTROYED, start_ns, error))
                )
                start_ns = end_ns + idle_ns
            if not done:
                return made
            overtaken = release_ns < end_ns  # something is released while the last is sent
            if overtaken:
                admit(end_ns - 1)
            confinement.failed_often(end_ns, node, done, crossed=done == times)
            if done < times or overtaken or confinement.silent(node):
                return made
            if confinement.passive(node) and not alone:
                return made

    def _damaged_bit(self, length: WireLength) -> int:
        """Draw a bit of a frame, from its second to its last: as `randrange`, which asks much more."""
        bits = sum(length) - 1
        width, draw = bits.bit_length(), self._random.getrandbits
        while (drawn := draw(width)) >= bits:
            pass
        return 1 + drawn

    def _flags(self, node: int, sender: int) -> bool:
        """Return whether a node that misreads a frame destroys it; if so, count that.

        Its flag is dominant only while it is error active; a passive one disturbs nobody.
        """
        confinement = self._confinement
        if node == sender or confinement.state[node] is not NodeState.ERROR_ACTIVE:
            return False
        confinement.flagged(node)
        return True

    def _struck(self, entry: QueuedFrame, fault: WireFault) -> Fate:
        """Return the end of an attempt of which a bit is damaged, anywhere from its second to its last."""
        bit = self._damaged_bit(entry.length)
        if fault.node is not None:
            return self._destroyed((entry,), BIT, bit, 2 * FLAG)
        kind = self._random.choice((BIT, STUFF))
        return self._destroyed((entry,), kind, bit, FLAG)

    def _destroyed(self, entries: tuple[QueuedFrame, ...], kind: ErrorKind, bit: int, flags: int) -> Fate:
        """Return the end of attempts in error flags, `flags` bits long where they overlap in part."""
        if kind is not ACKNOWLEDGE and self._confinement.state[entries[0][2]] is ERROR_PASSIVE:
            flags = 2 * FLAG  # a passive flag looks to the others like a stuff error, and they flag it
        failures = tuple([new_failure((entry, kind, bit)) for entry in entries])
        span_ns = self._offset_ns(entries[0][5], bit + 1) + (flags + DELIMITER) * self._bit_ns
        return new_fate((span_ns, failures, (), True))

    def _collision(self, one: QueuedFrame, other: QueuedFrame) -> Fate:
        """Return what becomes of two frames with one identifier, begun at the same bit."""
        bit = first_difference(one.frame, other.frame)
        if bit is None:
            return Fate(self._whole_ns(one.length), sent=((one, SENT), (other, SHARED)))
        winner, loser = (one, other) if wire_bits(one.frame)[bit] == "0" else (other, one)
        if self._confinement.passive(loser.node):
            # Its error flag is recessive, as is nothing to the other, which goes on undisturbed.
            failures = (Failure(loser, BIT, bit),)
            return Fate(self._whole_ns(winner.length), failures, ((winner, SENT),), seen=False)
        return self._destroyed((loser, winner), BIT, bit, 2 * FLAG)

    def _whole_ns(self, length: WireLength) -> int:
        nominal, data = length
        return nominal * self._bit_ns + data * self._data_bit_ns

    def _offset_ns(self, length: WireLength, bits: int) -> int:
        """Return the time of the first `bits` bits; in a switching FD frame by its mean bit time."""
        nominal, data = length
        return bits * self._bit_ns if not data else self._whole_ns(length) * bits // (nominal + data)


@lru_cache(maxsize=1024)
def first_difference(one: Frame, other: Frame) -> int | None:
    """Return the first bit on the wire in which two frames differ, None if they are equal."""
    pairs = zip(wire_bits(one), wire_bits(other), strict=False)
    return next((place for place, (a, b) in enumerate(pairs) if a != b), None)
