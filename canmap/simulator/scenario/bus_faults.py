"""Simulator: faults of the drive bus and its wiring, and of nodes that do not belong on it.

A capture tells a fault of the wiring by its error frames only, if its recorder reports them: without these,
lost contact looks like a sender that skips frames, and a broken branch like nodes without supply.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import integer, quantity, time_ns, word, yes_no
from canmap.simulator.buses.bursts import USUAL_BURST_EVERY_NS, Bursts
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.network import Babble, Dominant, WireFault
from canmap.simulator.buses.split_bus import Split
from canmap.simulator.cart.chronicle import Subject
from canmap.simulator.cart.fleet import vehicle_with
from canmap.simulator.cart.nodes import MS
from canmap.simulator.cart.vehicle_kind import STRANGER
from canmap.simulator.scenario.faults import BUS, EVERY, SHARE, Effect, TimeSpan, drive_node
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.simulator.cart.world import Plan, World

MOVES = 0.3  # m/s, from here on the cart shakes
BURST_SHARE = 0.9  # of the frames in a burst
MISREADER_WAIT_NS = 100 * MS  # of a node at the wrong bit rate after bus-off
MISREADER_PERIOD_NS = 20 * MS
MISREADER_ID = 0x3A5  # nobody ever reads it


def _plug(node: Node, context: Context) -> str | None:
    return word("a node with a plug before it", vehicle_with(context.names.nodes).plugs)(node, context)


IDENTIFIER = Key("identifier", integer(0, 0x1FFFFFFF), required=True)  # above 0x7FF of 29 bits
GAP = Key("gap", time_ns)
NODE = Key("node", drive_node)
SENDER = Key("node", drive_node, required=True)
DELAY = Key("delay", time_ns)
BEHIND = Key("behind", _plug, required=True)
MOVING = Key("while_moving", yes_no)
ABOVE = Key("above", quantity("A", positive=True), required=True)


def babbling_node(values: SectionValues, span: TimeSpan) -> Effect:
    """A node sends one identifier again and again; what has a lower priority waits."""
    can_id, gap_ns = values.get(IDENTIFIER) or 0, values.get(GAP) or 0
    index, frame = span.vehicle.drive.nodes.index(STRANGER), Frame(can_id, bytes(8), can_id > 0x7FF)

    def prepare(plan: Plan) -> None:
        plan.disturbances.append(Babble(span.start_ns, span.stop_ns, index, frame, gap_ns))

    cause = f"A babbling node fills the bus with 0x{can_id:03X}."
    return Effect(cause, node=STRANGER, prepare=prepare, touches=(Subject.BUS,))


def wiring(values: SectionValues, span: TimeSpan) -> Effect:
    """Bits are damaged on the wire; enough of it takes a sender off the bus."""
    share, node = si(values, SHARE), values.get(NODE)
    index = None if node is None else span.vehicle.drive.nodes.index(node)

    def prepare(plan: Plan) -> None:
        plan.disturbances.append(WireFault(span.start_ns, span.stop_ns, share, index))

    whose = "all nodes" if node is None else node
    cause = f"The wiring damages {100 * share:g} % of the frames of {whose}."
    touches = (Subject.BUS,) if node is None else span.vehicle.subjects(node)
    return Effect(cause, node=node, prepare=prepare, touches=touches)


def slow_recovery(values: SectionValues, span: TimeSpan) -> Effect:
    """All frames of a node are damaged; it goes bus-off, and its program waits before it lets it come back.

    Without a delay it takes the shortest time that ISO 11898-1 allows, 128 sequences of 11 recessive bits. In
    a capture without error frames this is a node that was silent for a while.
    """
    node, delay_ns = str(values.get(SENDER)), values.get(DELAY) or 0

    def prepare(plan: Plan) -> None:
        plan.disturbances.append(
            WireFault(span.start_ns, span.stop_ns, 1.0, span.vehicle.drive.nodes.index(node))
        )
        plan.recovery_ns[node] = delay_ns

    cause = f"{node} went bus-off; its program waits {delay_ns / 1e6:g} ms before it comes back."
    return Effect(cause, node=node, prepare=prepare, touches=span.vehicle.subjects(node))


def loose_connector(values: SectionValues, span: TimeSpan) -> Effect:
    """A plug of the harness loses contact for 1 to 200 ms at a time; all nodes behind it suffer together.

    What they send then is damaged, and they get nothing; on request only while the cart moves. Behind the
    last plug of a branch is one node: no capture tells that from bursts of trouble in its own stub or
    transceiver.
    """
    nodes, every_ns = span.vehicle.behind(str(values.get(BEHIND))), values.get(EVERY) or USUAL_BURST_EVERY_NS
    moving = values.get(MOVING) is True
    begun: list[tuple[World, Bursts]] = []

    def begin(world: World) -> None:
        begun.append((world, Bursts(world.setup.seed, "burst", span.start_ns, every_ns)))

    def open_at(t_ns: int) -> bool:
        if not begun:
            return False
        world, bursts = begun[-1]
        return bursts.open_at(t_ns) and not (moving and abs(world.cart.vehicle.speed) < MOVES)

    def prepare(plan: Plan) -> None:
        plan.disturbances += [
            WireFault(
                span.start_ns,
                span.stop_ns,
                BURST_SHARE,
                span.vehicle.drive.nodes.index(node),
                when=open_at,
                deaf=True,
            )
            for node in nodes
        ]

    return Effect(
        f"The plug before {nodes[0]} makes bad contact; behind it: {', '.join(nodes)}.",
        node=nodes[0] if len(nodes) == 1 else None,
        begin=begin,
        prepare=prepare,
        touches=span.vehicle.subjects(*nodes),
    )


def ground_shift(values: SectionValues, span: TimeSpan) -> Effect:
    """The motor's current lifts the ground of a node, or of all, so that bits are damaged while it is high.

    At rest nothing shows. Where the current is high throughout, it cannot be told from `wiring`.
    """
    share, node, above = si(values, SHARE), values.get(NODE), si(values, ABOVE)
    index = None if node is None else span.vehicle.drive.nodes.index(node)
    worlds: list[World] = []

    def high(_: int) -> bool:
        return bool(worlds) and worlds[-1].cart.battery.current > above

    def prepare(plan: Plan) -> None:
        plan.disturbances.append(WireFault(span.start_ns, span.stop_ns, share, index, when=high))

    whose = "all nodes" if node is None else node
    cause = f"Above {above:g} A the ground shifts and damages {100 * share:g} % of the frames of {whose}."
    touches = (Subject.BUS,) if node is None else span.vehicle.subjects(node)
    return Effect(cause, node=node, begin=worlds.append, prepare=prepare, touches=touches)


def broken_branch(values: SectionValues, span: TimeSpan) -> Effect:
    """The line is broken before a node: that one and those behind it lose touch with the others.

    They still talk to each other, unseen by the recorder; a lone one finds no acknowledgement. In a capture
    this looks like nodes without supply, but they come back without a boot message and with counters that
    went on.
    """
    nodes = span.vehicle.behind(str(values.get(BEHIND)))

    def prepare(plan: Plan) -> None:
        lost = frozenset(span.vehicle.drive.nodes.index(node) for node in nodes)
        plan.splits.append(Split(span.start_ns, span.stop_ns, lost))

    cause = f"The line is broken before {nodes[0]}; cut off: {', '.join(nodes)}."
    only = nodes[0] if len(nodes) == 1 else None
    return Effect(cause, node=only, prepare=prepare, touches=span.vehicle.subjects(*nodes))


def bus_shorted(values: SectionValues, span: TimeSpan) -> Effect:
    """The two wires of a bus touch: nothing gets through on it, nor is there an error frame; the other lives.

    A capture does not tell it from an unplugged recorder but by what follows: the kit loses its demands, the
    gateway has nothing to pass on. Nothing follows of the chassis bus, nor of the only one if the short lasts
    to the end of the capture.
    """
    bus, first = str(values.get(BUS)), span.vehicle.drive

    def prepare(plan: Plan) -> None:
        split = Split(span.start_ns, span.stop_ns, None, linked=False)
        (plan.splits if bus == first.name else plan.chassis_splits).append(split)

    touches = (Subject.BUS,) if bus == first.name else ()
    cause = f"CAN-H and CAN-L of the bus {bus} are shorted."
    return Effect(cause, bus, prepare=prepare, touches=touches)


def bus_dominant(values: SectionValues, span: TimeSpan) -> Effect:
    """A short, or a transceiver that does not let go, holds a bus dominant: nobody can send; the other lives.

    It begins with one error frame; whoever was sending is bus-off afterwards, and what waited comes at once.
    Where no error frames are recorded, only that tells it from a shorted bus, and nothing if it lasts to the
    end.
    """
    bus, first = str(values.get(BUS)), span.vehicle.drive

    def prepare(plan: Plan) -> None:
        held = Dominant(span.start_ns, span.stop_ns)
        (plan.disturbances if bus == first.name else plan.chassis_disturbances).append(held)

    touches = (Subject.BUS,) if bus == first.name else ()
    cause = f"A short or a transceiver holds the bus {bus} dominant: nobody can send on it."
    return Effect(cause, bus, prepare=prepare, touches=touches)


def wrong_rate_node(_: SectionValues, span: TimeSpan) -> Effect:
    """A node at the wrong bit rate is plugged in.

    It reads no frame and flags each as an error until it is error passive; nobody reads its own, each of
    which fails until it is bus-off; 100 ms later it begins again. Only error frames tell of it.
    """
    stranger = span.vehicle.drive.nodes.index(STRANGER)

    def prepare(plan: Plan) -> None:
        start_ns, stop_ns = span.start_ns, span.stop_ns
        plan.disturbances += [
            Babble(start_ns, stop_ns, stranger, Frame(MISREADER_ID, bytes(8)), MISREADER_PERIOD_NS),
            WireFault(start_ns, stop_ns, 1.0, stranger),
            WireFault(start_ns, stop_ns, flagged_by=stranger),
        ]
        plan.recovery_ns[STRANGER] = MISREADER_WAIT_NS

    cause = "A node with the wrong bit rate was added; it destroys frames and sends none that can be read."
    return Effect(cause, node=STRANGER, prepare=prepare, touches=(Subject.BUS,))
