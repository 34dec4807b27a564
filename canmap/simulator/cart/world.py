"""Simulator: cart, nodes, two buses, gateway and recorder, run step by step into a stream of frames.

In: a plan, a seed. Out: chunks of frames as a recorder of both buses stamps them. `World` moves the vehicle
and runs the nodes' timers; what becomes of their frames on the buses is up to `wires`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.cart.cart import Cart
from canmap.simulator.cart.messages import TELL, no_values
from canmap.simulator.cart.nodes import MS, Sender, SuppliedNode, Timing
from canmap.simulator.cart.payloads import Layout
from canmap.simulator.cart.states import State, States, state_of, table_of
from canmap.simulator.cart.vehicle import VehicleParameters

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.mapping.description.description import Description
    from canmap.simulator.buses.gateway import GatewayLoss
    from canmap.simulator.buses.network import Disturbance
    from canmap.simulator.buses.recorder import RecorderFault
    from canmap.simulator.cart.nodes import Releases

STEP_NS = 10 * MS
KIT_NODES = ("SteerNode", "BrakeNode", "DriveNode")  # fed by the relay of the e-stop chain
DRIVE_NODES = (*KIT_NODES, "VehicleNode", "Supervisor", "Computer", "Stranger")
CHASSIS_NODES = ("Gateway", "BodyNode")
AXIS_OF = {"SteerNode": "steering", "BrakeNode": "brake", "DriveNode": "drive"}
# The data identifiers of the messages that carry a checksum, as the vehicle's spec has them.
DATA_IDS = {
    "SteerFeedback": 0x0101,
    "SteerCommand": 0x0102,
    "BrakeCommand": 0x0103,
    "DriveCommand": 0x0104,
    "DriveFeedback": 0x0112,
    "BrakeFeedback": 0x0121,
    "KitState": 0x0130,
}
DEMANDS = {"SteerCommand": "steering", "BrakeCommand": "brake", "DriveCommand": "drive"}
SEEN = "DriveFeedback"  # what the computer acts on
RELAYED_AS = "ChassisSteering"
SPECIAL_TIMING = {
    "OperatorPanel": Timing(20 * MS, on_change=True, heartbeat_ns=1000 * MS, gap_ns=50 * MS),
    "KitEvent": Timing(10 * MS, events=True),
}
LONGEST_SPAN_NS = 10_000 * MS
KMH = 3.6


@dataclass(slots=True)
class Plan:
    """What happens, and what goes wrong.

    Attributes:
        actions: Simulated time in ns and what is done then, in any order; of the same time, first come, first
            done.
        disturbances: Of the drive bus.
        gateway_losses: Of the gateway from the drive bus to the chassis bus.
        recorder: What goes wrong in the recorder, on both channels alike.
        layouts: Messages that the kit packs otherwise than described, by name.
        cuts: Times at which the two channels of the capture must not be sorted across.
        live: What the kit or the computer receives is disturbed, so the bus must run with the vehicle.
    """

    actions: list[tuple[int, Callable[[World], None]]] = field(default_factory=list)
    disturbances: list[Disturbance] = field(default_factory=list)
    gateway_losses: list[GatewayLoss] = field(default_factory=list)
    recorder: list[RecorderFault] = field(default_factory=list)
    layouts: dict[str, Layout] = field(default_factory=dict)
    cuts: list[int] = field(default_factory=list)
    live: bool = False

    def at(self, t_ns: int, action: Callable[[World], None]) -> None:
        """Do something at a time."""
        self.actions.append((t_ns, action))


@dataclass(frozen=True, slots=True)
class Setup:
    """What is run.

    Attributes:
        kit: Description of the drive bus.
        chassis: Description of the chassis bus.
        plan: What happens.
        duration_ns: How long.
        seed: Of everything random.
        parameters: The vehicle's measures.
        batch_ns: The recorder fetches frames that often, 0: it stamps each on receipt.
        step_ns: Step of the vehicle.
    """

    kit: Description
    chassis: Description
    plan: Plan
    duration_ns: int
    seed: int = 0
    parameters: VehicleParameters = field(default_factory=VehicleParameters)
    batch_ns: int = 0
    step_ns: int = STEP_NS


class World:
    """Vehicle and nodes in motion.

    Attributes:
        setup: What is run.
        cart: The vehicle.
        units: Nodes of both buses by name.
        senders: Messages by name.
        layouts: The drive bus's messages as described, by name.
        t_ns: Simulated time.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.layouts = {each.name: Layout(each, DATA_IDS.get(each.name)) for each in setup.kit.messages}
        sent = (
            self.layouts | {each.name: Layout(each) for each in setup.chassis.messages} | setup.plan.layouts
        )
        self.cart = Cart(setup.parameters, self.layouts, setup.step_ns / 1e9)
        self.drive_units = _units(setup.kit, sent, DRIVE_NODES, setup.seed)
        self.chassis_units = _units(setup.chassis, sent, CHASSIS_NODES, setup.seed)
        self.units = self.drive_units | self.chassis_units
        self.senders = {sender.name: sender for unit in self.units.values() for sender in unit.senders}
        self.t_ns = 0
        self._actions = sorted(setup.plan.actions, key=lambda action: action[0])
        self._rows: list[tuple[float, ...]] = []
        self._stepped = False  # the state at `t_ns` is there already

    def switch(self, on: bool) -> None:
        """Turn the main switch, which feeds all nodes; those of the kit through the stop chain's relay."""
        self.cart.chain.switch(on)
        for name in ("VehicleNode", "Supervisor", "Computer", *CHASSIS_NODES):
            self.units[name].power(on, self.t_ns)

    def power_node(self, name: str, on: bool) -> None:
        """Switch the supply of one node, and of the axis that it moves."""
        unit = self.units[name]
        if unit.on is not on:
            unit.power(on, self.t_ns)
            if name in AXIS_OF:
                self.cart.axes[AXIS_OF[name]].power(on, self.t_ns)

    def spans(self, longest_ns: int, hand_over: HandOver) -> Iterator[int]:
        """Run to the end; yield how far, whenever something may change in what the nodes send.

        Args:
            longest_ns: At least that often.
            hand_over: Lets demands reach the kit, and feedback the computer.
        """
        while self.t_ns < self.setup.duration_ns:
            while self._actions and self._actions[0][0] <= self.t_ns:
                self._actions.pop(0)[1](self)
            end_ns = min(self.t_ns + longest_ns, self.setup.duration_ns)
            if self._actions:
                end_ns = min(end_ns, self._actions[0][0])
            self._span(end_ns, hand_over)
            yield self.t_ns

    def _span(self, end_ns: int, hand_over: HandOver) -> None:
        """Move on until `end_ns` is reached or the kit's supply comes or goes."""
        cart, rows, step_ns = self.cart, self._rows, self.setup.step_ns
        hand_over.plan(self.t_ns, end_ns)
        t_ns, supply = self.t_ns, cart.chain.supply
        while t_ns < end_ns:
            if not self._stepped:
                cart.step(t_ns)
                rows.append(state_of(cart))
                if cart.chain.supply is not supply:
                    self._stepped = True
                    break
            self._stepped = False
            t_ns += step_ns
            hand_over.reach(t_ns, rows)
        hand_over.close(self.t_ns, t_ns, rows)
        self._rows = rows[-1:] if self._stepped else []
        self.t_ns = t_ns
        if self._stepped:
            for name in KIT_NODES:
                self.power_node(name, cart.chain.supply)

    def states(self, rows: list[tuple[float, ...]]) -> States:
        """Return some states as columns."""
        return States(table_of(rows), self.setup.seed, self.setup.parameters)

    def state(self, row: tuple[float, ...]) -> State:
        """Return one state."""
        return State(row, self.setup.seed, self.setup.parameters)

    def sent(
        self, units: dict[str, SuppliedNode], start_ns: int, until_ns: int, states: States
    ) -> list[Releases]:
        """Return what nodes hand over in a span, from the states after each of its steps."""
        batches: list[Releases] = []
        last = len(states) - 1
        for unit in units.values():
            if not unit.on:
                continue
            batches += unit.boot(until_ns)
            for sender in unit.senders:
                times = sender.due(until_ns)
                steps = np.clip((times - start_ns) // self.setup.step_ns, 0, last)
                found = sender.run(times, states.at(steps), self.cart.events)
                if found is not None:
                    batches.append(found)
        return batches


class HandOver:
    """Takes what the nodes of the drive bus send, and lets it reach who acts on it; see `wires`."""

    def __init__(self, world: World) -> None:
        self.world = world

    def plan(self, start_ns: int, end_ns: int) -> None:
        """Prepare for a span that ends at `end_ns` or before."""
        raise NotImplementedError

    def reach(self, t_ns: int, rows: list[tuple[float, ...]]) -> None:
        """Let happen what happens before `t_ns`; the newest of `rows` is the state of the last step."""
        raise NotImplementedError

    def close(self, start_ns: int, end_ns: int, rows: list[tuple[float, ...]]) -> None:
        """End the span, at `end_ns`."""
        raise NotImplementedError


def _units(
    description: Description, layouts: dict[str, Layout], names: tuple[str, ...], seed: int
) -> dict[str, SuppliedNode]:
    """Make the nodes of a bus, with the messages that the description says they send."""
    first = len(DRIVE_NODES) if names is CHASSIS_NODES else 0
    units = {}
    for index, name in enumerate(names):
        senders = tuple(
            Sender(
                layouts[each.name],
                index,
                SPECIAL_TIMING.get(each.name) or Timing(each.period_ns or 0),
                TELL.get(each.name, no_values),
            )
            for each in description.messages
            if each.sender == name and each.name != RELAYED_AS
        )
        units[name] = SuppliedNode(name, index, None if name == "Stranger" else first + index, senders, seed)
    return units
