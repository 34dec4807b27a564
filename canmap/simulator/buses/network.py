"""Simulator: what a bus is made of, what is asked of it, what can disturb it, what comes out.

Plain data only; `arbitration.py` acts on them. Times are integer nanoseconds of simulated time, intervals
half open.
"""

from __future__ import annotations

from enum import IntEnum
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.dataclass import dataclass
from canmap.base.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.frame_bits import WireLength


class Queue(IntEnum):
    """In which order a node's waiting frames get into its mailboxes."""

    PRIORITY = 0
    FIFO = 1


@dataclass(frozen=True, slots=True)
class Node:
    """A node and its transmit path: frames wait in a queue, those in mailboxes compete for the bus.

    Attributes:
        name: For messages and truth files.
        queue: Order in which waiting frames move up into a mailbox that has become free.
        mailboxes: Frames that compete at once, the lowest identifier first; None: all that wait. One
            mailbox and `Queue.FIFO` make a plain FIFO; one mailbox and `Queue.PRIORITY` a controller in
            which a low frame, once loaded, holds up a high one.
        capacity: Frames that may wait in all, mailboxes included; the next is dropped. None: no bound.
        replaces: A new frame takes the place of a waiting one with its identifier, as where every message
            has a buffer of its own; what is already being sent is sent.
        recovers: After bus-off it comes back by itself.
        recovery_ns: How long its program waits after bus-off before it lets the controller come back, which
            then takes 128 sequences of 11 recessive bits. Makers wait up to a second (common practice).
    """

    name: str
    queue: Queue = Queue.PRIORITY
    mailboxes: int | None = None
    capacity: int | None = None
    replaces: bool = False
    recovers: bool = True
    recovery_ns: int = 0


@dataclass(frozen=True, slots=True)
class BusConfig:
    """A bus and its nodes; a node is named by its index in `nodes`.

    Attributes:
        name: The bus.
        bit_rate: Bit/s. The bit time is rounded to whole nanoseconds.
        nodes: Its nodes.
        data_bit_rate: Bit/s of the data phase of FD frames that switch; None: the same.
        acknowledged: Something besides the nodes acknowledges (a recorder): a lone node finds an echo.
    """

    name: str
    bit_rate: int
    nodes: tuple[Node, ...]
    data_bit_rate: int | None = None
    acknowledged: bool = True

    def __post_init__(self) -> None:
        if self.bit_rate <= 0 or (self.data_bit_rate is not None and self.data_bit_rate <= 0):
            raise UsageError(f"bus {self.name}: a bit rate must be positive; state it in bit/s.")

    def check_nodes(self, nodes: Iterable[int], what: str) -> None:
        """Raise `UsageError` if `what` names a node that the bus has not."""
        for node in nodes:
            if not 0 <= node < len(self.nodes):
                raise UsageError(
                    f"bus {self.name}: it has nodes 0 to {len(self.nodes) - 1}, and {what} names {node};"
                    " add the node."
                )

    @property
    def bit_ns(self) -> int:
        """Nominal bit time, ns."""
        return round(1e9 / self.bit_rate)

    @property
    def data_bit_ns(self) -> int:
        """Bit time of the data phase, ns."""
        return round(1e9 / (self.data_bit_rate or self.bit_rate))


class Release(NamedTuple):
    """A node hands a frame to its transmit queue.

    Attributes:
        t_ns: When.
        node: Index of the node.
        frame: What.
        length: Its bits on the wire, where they are known already.
    """

    t_ns: int
    node: int
    frame: Frame
    length: WireLength | None = None


class Outcome(IntEnum):
    """What became of a release, or of one attempt to send it."""

    SENT = 0
    DESTROYED = 1  # an attempt ended in an error frame; the frame is sent again
    QUEUE_FULL = 2  # never queued: no room
    REPLACED = 3  # a newer frame of its identifier took its place
    NODE_OFF = 4  # the node had no supply, or lost it
    BUS_OFF = 5  # the node was bus-off, or became so
    UNSENT = 6  # still waiting when the simulation ended
    SHARED = 7  # sent at the same bits as an equal frame of another node: one frame on the bus, that node's


class Transmission(NamedTuple):
    """One attempt on the bus, or the end of a frame that never got there.

    Every release ends in exactly one transmission whose outcome is not DESTROYED.

    Attributes:
        t_ns: SENT: end of frame, without the intermission. DESTROYED: end of the error frame, its delimiter
            included. Others: when it was given up.
        node: The sender.
        frame: The frame.
        queued_ns: When it was released.
        attempts: How often it was begun, this time included; 0: never.
        outcome: What became of it.
        start_ns: Start of frame of this attempt; `t_ns` where nothing was begun.
        error: DESTROYED: what the error was.
    """

    t_ns: int
    node: int
    frame: Frame
    queued_ns: int
    attempts: int = 1
    outcome: Outcome = Outcome.SENT
    start_ns: int = 0
    error: BusError | None = None


class ErrorKind(IntEnum):
    """Why an attempt failed."""

    BIT = 0  # the sender saw another level than it sent
    STUFF = 1  # six equal bits
    ACKNOWLEDGE = 2  # nobody acknowledged


class BusError(NamedTuple):
    """An error frame.

    Attributes:
        kind: Why.
        bit: Index of the bit on the wire at which it showed, from the start of frame = 0.
        transmit_count: The sender's transmit error counter after it.
        receive_count: The highest receive error counter of the other nodes after it.
    """

    kind: ErrorKind
    bit: int
    transmit_count: int
    receive_count: int


# NamedTuples without their keyword handling, which costs more than the rest of a quiet frame.
new_release: Callable[[tuple[object, ...]], Release] = partial(tuple.__new__, Release)
new_transmission: Callable[[tuple[object, ...]], Transmission] = partial(tuple.__new__, Transmission)
new_error: Callable[[tuple[object, ...]], BusError] = partial(tuple.__new__, BusError)


class NodeState(IntEnum):
    """Fault confinement states (ISO 11898-1)."""

    ERROR_ACTIVE = 0
    ERROR_PASSIVE = 1
    BUS_OFF = 2
    UNPOWERED = 3


class StateChange(NamedTuple):
    """A node changes its state: when, which, to what, and its counters then."""

    t_ns: int
    node: int
    state: NodeState
    transmit_count: int
    receive_count: int


new_change: Callable[[tuple[object, ...]], StateChange] = partial(tuple.__new__, StateChange)


@dataclass(frozen=True, slots=True)
class WireFault:
    """Bits are damaged while it lasts.

    Attributes:
        start_ns: From here on.
        stop_ns: Up to here.
        probability: Of an attempt to be destroyed, 0 to 1.
        node: Only attempts of this node (its stub or its transceiver); None: of all.
        when: Of the time in ns, whether bits are damaged then; None: all the while.
        deaf: The node does not get the frames of the others either, when bits are damaged.
        flagged_by: The damage is the error flags of this node, which reads the others' bits wrongly; it ends
            when the node is no longer error active.
    """

    start_ns: int
    stop_ns: int
    probability: float = 1.0
    node: int | None = None
    when: Callable[[int], bool] | None = None
    deaf: bool = False
    flagged_by: int | None = None

    @property
    def surely(self) -> bool:
        """Whether it destroys every attempt of one node, while it lasts."""
        always = self.probability >= 1.0 and self.when is None and self.flagged_by is None
        return always and self.node is not None

    def acts(self, t_ns: int) -> bool:
        """Return whether bits are damaged at a time."""
        return self.start_ns <= t_ns < self.stop_ns and (self.when is None or self.when(t_ns))


@dataclass(frozen=True, slots=True)
class SupplyLoss:
    """A node without supply: what waits in it is lost, and it starts again with counters at zero."""

    start_ns: int
    stop_ns: int
    node: int


@dataclass(frozen=True, slots=True)
class Babble:
    """A node that sends `frame` again and again, `gap_ns` after the end of the last one.

    It starves every lower priority when `gap_ns` is 0.
    """

    start_ns: int
    stop_ns: int
    node: int
    frame: Frame
    gap_ns: int = 0


@dataclass(frozen=True, slots=True)
class Dominant:
    """Something holds the bus dominant: what is being sent is destroyed, and nobody can begin."""

    start_ns: int
    stop_ns: int
    node: None = None  # whoever does it


Disturbance = WireFault | SupplyLoss | Babble | Dominant
