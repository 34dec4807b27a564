"""Simulator: what is particular to one vehicle that can be simulated, by the same few names for all of them.

What they have in common is in the other modules of this room: how a vehicle moves, how an axis of a kit
behaves, timers, supplies, people. A vehicle is a module with one `VehicleKind`, and a row in `fleet`.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.dataclass import dataclass
from canmap.simulator.cart.payloads import PROFILE1, Guard, Layout

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from canmap.mapping.description.description import DescribedMessage
    from canmap.simulator.cart.machinery import Machinery
    from canmap.simulator.cart.messages import Moments, Values
    from canmap.simulator.cart.nodes import Timing
    from canmap.simulator.cart.states import Numbers
    from canmap.simulator.cart.vehicle import VehicleParameters

    Tell = Callable[[Moments, Numbers], Values]

STRANGER = "Stranger"  # the last node of every first bus: whoever does not belong there


class BusKind(NamedTuple):
    """A bus.

    Attributes:
        name: As the spec names it.
        channel: Of the recorder.
        bit_rate: Bit/s.
        nodes: Its nodes.
    """

    name: str
    channel: str
    bit_rate: int
    nodes: tuple[str, ...]


class RelayKind(NamedTuple):
    """What a gateway passes on from the first bus to the second.

    Attributes:
        gateway: Its node on the second bus.
        source: The message.
        copy: Its copy.
        every: One in so many is passed on.
        delay_ns: After its end.
    """

    gateway: str
    source: str
    copy: str
    every: int
    delay_ns: int


class SpeedSource(NamedTuple):
    """Where the computer reads the speed: a message, its signal, and how many of its units make 1 m/s."""

    message: str
    signal: str
    unit: float


class WheelSource(NamedTuple):
    """Where wheel speeds are told: a node, its message, its signals, and how many units make 1 m/s."""

    node: str
    message: str
    signals: tuple[str, ...]
    unit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleKind:
    """One vehicle with its kit.

    Attributes:
        name: In words.
        parameters: Its measures.
        machinery: What moves it.
        drive: The bus of the kit.
        chassis: The other bus, None where there is one only.
        relay: What a gateway between them passes on, None for nothing.
        node_messages: Nodes that the relay of the e-stop feeds, and what each sends.
        node_of: Axis to the node that moves it.
        state_of: Axis to the signal that tells its state.
        computer: The node that asks.
        seen: What the computer acts on.
        wheels: Where the wheel speeds are told.
        tell: Message to what it tells.
        timings: Messages that are not simply cyclic.
        data_ids: Data identifiers of the messages that carry a checksum.
        guards: How messages are counted and checked; E2E profile 1 where nothing is said.
        boot: Number of a node on its vehicle, and its starts, to the identifier and the payload of what it
            sends when it starts.
        signals: Signals that faults show on, by what they tell: `angle`, `supply` and `firmware` of all; the
            buttons `vehicle` and `radio`, `link`, `loop` where they are told, and `rail`, the kit's supply
            before the lead of the steering node.
        supply_told_ns: From one time to the next that `supply` is told.
        loop_messages: What tells of an open stop loop.
        told_of: Messages that tell of the whole kit, and which node sends each.
        without: Kinds of fault that it has no part for.
        harness: Nodes of the first bus in their order along its line; as in `drive` where nothing is said.
        recorder_at: The node at whose plug the recorder is.
    """

    name: str
    parameters: VehicleParameters
    machinery: Machinery
    drive: BusKind
    chassis: BusKind | None = None
    relay: RelayKind | None = None
    node_messages: Mapping[str, tuple[str, ...]]
    node_of: Mapping[str, str]
    state_of: Mapping[str, str]
    computer: str
    seen: SpeedSource
    wheels: WheelSource
    tell: Mapping[str, Tell]
    timings: Mapping[str, Timing] = field(default_factory=dict)
    data_ids: Mapping[str, int] = field(default_factory=dict)
    guards: Mapping[str, Guard] = field(default_factory=dict)
    boot: Callable[[int, int], tuple[int, bytes]]
    signals: Mapping[str, str]
    supply_told_ns: int
    told_of: Mapping[str, str] = field(default_factory=dict)
    loop_messages: tuple[str, ...] = ()
    without: frozenset[str] = frozenset()
    harness: tuple[str, ...] = ()
    recorder_at: str = "Computer"

    @property
    def buses(self) -> tuple[BusKind, ...]:
        """Its one or two buses."""
        return (self.drive,) if self.chassis is None else (self.drive, self.chassis)

    @property
    def channels(self) -> tuple[str, ...]:
        """What the recorder calls its buses."""
        return tuple(bus.channel for bus in self.buses)

    @property
    def kit_nodes(self) -> tuple[str, ...]:
        """Nodes that the relay of the e-stop feeds."""
        return tuple(self.node_messages)

    @property
    def kit_messages(self) -> tuple[str, ...]:
        """What those nodes send."""
        return tuple(name for names in self.node_messages.values() for name in names)

    @property
    def nodes(self) -> tuple[str, ...]:
        """Nodes that belong on the first bus."""
        return tuple(name for name in self.drive.nodes if name != STRANGER)

    @property
    def main_nodes(self) -> tuple[str, ...]:
        """Nodes that the main switch feeds directly, on both buses."""
        both = self.nodes + (self.chassis.nodes if self.chassis else ())
        return tuple(name for name in both if name not in self.node_messages)

    @property
    def demands(self) -> Mapping[str, tuple[str, ...]]:
        """Each demand to the axes that it asks."""
        demand_of = self.machinery.demand_of
        names = dict.fromkeys(demand_of.values())
        return {name: tuple(axis for axis, of in demand_of.items() if of == name) for name in names}

    @property
    def watches(self) -> Mapping[str, str]:
        """What a computer watches that withdraws when it misses something, and which node sends it."""
        states = {self.state_of[axis].partition(".")[0]: self.node_of[axis] for axis in self.node_of}
        return states | dict(self.told_of)

    @property
    def copy(self) -> str | None:
        """The message that is the gateway's copy."""
        return self.relay.copy if self.relay else None

    @property
    def needed(self) -> tuple[str, ...]:
        """Messages without which it cannot be simulated."""
        relayed = (self.relay.source, self.relay.copy) if self.relay else ()
        return (*relayed, self.seen.message, *self.demands)

    @property
    def plugs(self) -> tuple[str, ...]:
        """Nodes that lose touch with the recorder if the plug before them opens."""
        return tuple(name for name in self.harness or self.nodes if name != self.recorder_at)

    def behind(self, node: str) -> tuple[str, ...]:
        """Return the nodes that then lose touch together, `node` first."""
        line = self.harness or self.nodes
        place, recorder = line.index(node), line.index(self.recorder_at)
        return line[place::-1] if place < recorder else line[place:]

    def subjects(self, *nodes: str) -> tuple[str, ...]:
        """Return what suffers where nodes can neither send nor receive: they, and the demands for them."""
        demand_of = self.machinery.demand_of
        demands = [demand_of[axis] for axis, node in self.node_of.items() if node in nodes]
        return (*nodes, *dict.fromkeys(demands))

    def heard(self, message: str) -> bool:
        """Tell whether the kit or the computer acts on a message."""
        return message == self.seen.message or message in self.demands

    def layout(self, message: DescribedMessage) -> Layout:
        """Return how a message is packed."""
        name = message.name
        return Layout(message, self.data_ids.get(name), self.guards.get(name, PROFILE1))

    def bus_name(self, role: str | None) -> str | None:
        """Return the name of the bus that is called `drive` or `chassis` here; any other name as it is."""
        named = {"drive": self.drive.name, "chassis": self.chassis.name if self.chassis else None}
        return named.get(role, role) if role else None
