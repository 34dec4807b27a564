"""Simulator: cart, nodes, two buses, gateway and recorder, run step by step into a stream of frames.

In: a plan, a seed. Out: chunks of frames as a recorder of both buses stamps them. `World` moves the vehicle
and runs the nodes' timers; what becomes of their frames on the buses is up to `wires`.
"""

from __future__ import annotations

import bisect
from dataclasses import field
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.simulator.buses.recorder_setup import RecorderSetup
from canmap.simulator.cart.cart import Cart
from canmap.simulator.cart.chronicle import Chronicle, Happened
from canmap.simulator.cart.feed import KitFeed
from canmap.simulator.cart.messages import no_values
from canmap.simulator.cart.nodes import MS, Sender, SuppliedNode, Timing
from canmap.simulator.cart.orchard_cart import ORCHARD_CART
from canmap.simulator.cart.states import State, States, new_state, state_of
from canmap.simulator.cart.vehicle import VehicleParameters
from canmap.simulator.cart.vehicle_kind import STRANGER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.mapping.description.description import DescribedMessage, Description
    from canmap.simulator.buses.gateway import GatewayLoss, GatewayOverload
    from canmap.simulator.buses.network import Disturbance
    from canmap.simulator.buses.recorder import RecorderFault
    from canmap.simulator.buses.split_bus import Split
    from canmap.simulator.cart.nodes import Releases
    from canmap.simulator.cart.other_traffic import OtherLoad
    from canmap.simulator.cart.payloads import Layout
    from canmap.simulator.cart.vehicle_kind import BusKind, VehicleKind

STEP_NS = 10 * MS
LONGEST_SPAN_NS = 10_000 * MS


@dataclass(slots=True)
class Plan:
    """What happens, and what goes wrong.

    Attributes:
        actions: Simulated time in ns and what is done then, in any order; of the same time, first come, first
            done.
        disturbances: Of the drive bus.
        chassis_disturbances: Of the chassis bus.
        splits: Breaks of the drive bus's line.
        chassis_splits: Of the chassis bus's.
        recovery_ns: How long nodes of the drive bus wait after bus-off, by name; 0 where it says nothing.
        gateway_losses: Of the gateway from the drive bus to the chassis bus.
        gateway_overloads: Of the same.
        recorder: What goes wrong in the recorder, on both channels alike.
        recording: How it is set up.
        layouts: Messages that the kit packs otherwise than described, by name.
        cuts: Times at which the two channels of the capture must not be sorted across.
        live: What the kit or the computer receives is disturbed, so the bus must run with the vehicle.
        periods: Messages that are sent at another interval than described, ns, by name.
        chronicle: What happened, once it has been run.
    """

    actions: list[tuple[int, Callable[[World], None]]] = field(default_factory=list)
    disturbances: list[Disturbance] = field(default_factory=list)
    chassis_disturbances: list[Disturbance] = field(default_factory=list)
    splits: list[Split] = field(default_factory=list)
    chassis_splits: list[Split] = field(default_factory=list)
    recovery_ns: dict[str, int] = field(default_factory=dict)
    gateway_losses: list[GatewayLoss] = field(default_factory=list)
    gateway_overloads: list[GatewayOverload] = field(default_factory=list)
    recorder: list[RecorderFault] = field(default_factory=list)
    recording: RecorderSetup = field(default_factory=RecorderSetup)
    layouts: dict[str, Layout] = field(default_factory=dict)
    cuts: list[int] = field(default_factory=list)
    live: bool = False
    periods: dict[str, int] = field(default_factory=dict)
    chronicle: Chronicle = field(default_factory=Chronicle)

    @property
    def disturbed(self) -> bool:
        """Whether something is wrong on a bus."""
        return bool(self.disturbances or self.chassis_disturbances or self.splits or self.chassis_splits)

    def at(self, t_ns: int, action: Callable[[World], None]) -> None:
        """Do something at a time."""
        self.actions.append((t_ns, action))


@dataclass(frozen=True, slots=True)
class Setup:
    """What is run.

    Attributes:
        kit: Description of the drive bus.
        chassis: Description of the chassis bus, None where the vehicle has none.
        plan: What happens.
        duration_ns: How long.
        seed: Of everything random.
        parameters: The vehicle's measures.
        step_ns: Step of the vehicle.
        kind: Which vehicle.
        others: What undescribed nodes send on the first bus, None for nothing.
        hold_up: The kit's nodes live on their capacitors, each for its time, when the relay opens.
        withdraws_ns: The computer withdraws its demands when it misses a message for longer; 0: it does not.
        by_silence: It then stops sending; otherwise it takes its enable bits back.
    """

    kit: Description
    chassis: Description | None
    plan: Plan
    duration_ns: int
    seed: int = 0
    parameters: VehicleParameters = field(default_factory=VehicleParameters)
    step_ns: int = STEP_NS
    kind: VehicleKind = ORCHARD_CART
    others: OtherLoad | None = None
    hold_up: bool = True
    withdraws_ns: int = 0
    by_silence: bool = False


class World:
    """Vehicle and nodes in motion.

    Attributes:
        setup: What is run.
        kind: Which vehicle.
        cart: It in motion.
        chronicle: What happened so far.
        units: Nodes of both buses by name.
        senders: Messages by name.
        layouts: The drive bus's messages as described, by name.
        t_ns: Simulated time.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup, self.kind = setup, setup.kind
        kind, beside = setup.kind, setup.chassis.messages if setup.chassis else ()
        self.layouts = {each.name: kind.layout(each) for each in setup.kit.messages}
        sent = self.layouts | {each.name: kind.layout(each) for each in beside} | setup.plan.layouts
        self.chronicle = setup.plan.chronicle
        self.chronicle.clear()
        self.cart = self._cart()
        self.drive_units = _units(kind, kind.drive, setup.kit.messages, sent, setup.seed)
        self.chassis_units = (
            _units(kind, kind.chassis, beside, sent, setup.seed) if kind.chassis is not None else {}
        )
        self.units = self.drive_units | self.chassis_units
        self.senders = {sender.name: sender for unit in self.units.values() for sender in unit.senders}
        for name, period_ns in setup.plan.periods.items():
            self.senders[name].timing.period_ns = period_ns
        self.t_ns = 0
        self._actions = sorted(setup.plan.actions, key=lambda action: action[0])
        self._rows: list[tuple[float, ...]] = []
        self._silent = False
        self._fed = dict(self.cart.feed.up)
        self._stepped = False  # the state of the step that `t_ns` is in is there already

    def _cart(self) -> Cart:
        """Make the vehicle, as the setup has it."""
        setup, kind = self.setup, self.kind
        machinery, motor_node = kind.machinery, kind.node_of["steering"]
        supply = (machinery.kit_supply, machinery.lowest_supply, machinery.buffers)
        feed = KitFeed(self.chronicle, kind.kit_nodes, motor_node, *supply)
        feed.buffered, feed.step_ns, feed.seed = setup.hold_up, setup.step_ns, setup.seed
        cart = Cart(setup.parameters, self.layouts, setup.step_ns / 1e9, kind.machinery, feed, self.chronicle)
        cart.driver.seed, computer = setup.seed, cart.computer
        computer.watched = kind.watches
        computer.withdraws_ns, computer.by_silence = setup.withdraws_ns, setup.by_silence
        return cart

    def do_at(self, t_ns: int, action: Callable[[World], None]) -> None:
        """Have something done at a time that is not over yet."""
        bisect.insort(self._actions, (t_ns, action), key=lambda each: each[0])

    def switch(self, on: bool) -> None:
        """Turn the main switch, which feeds all nodes; those of the kit through the stop chain's relay."""
        self.cart.chain.switch(on)
        for name in self.kind.main_nodes:
            self.units[name].power(on, self.t_ns)

    def power_node(self, name: str, on: bool, after: int | None = None) -> None:
        """Switch the supply of one node, and of the axes that it moves.

        Args:
            name: The node.
            on: Whether it has its supply from now on.
            after: Place in the chronicle of what switches it; None: of the fault that acts now, if one does.
        """
        unit, chronicle = self.units[name], self.chronicle
        if unit.on is on:
            return
        unit.power(on, self.t_ns)
        after = chronicle.acting if after is None else after
        if on:
            chronicle.end(chronicle.about(self.t_ns, name), self.t_ns)
        what = Happened.NODE_ON if on else Happened.NODE_OFF
        place = chronicle.note(self.t_ns, what, name, after=after, about=() if on else (name,))
        for axis, node in self.kind.node_of.items():
            if node == name:
                self.cart.axes[axis].power(on, self.t_ns, place)

    def _silence(self, on: bool) -> None:
        """Let the computer send its demands or not."""
        self._silent = on
        for name in self.kind.demands:
            self.senders[name].muted = on

    def spans(self, longest_ns: int, hand_over: HandOver) -> Iterator[int]:
        """Run to the end; yield how far, whenever something may change in what the nodes send.

        Args:
            longest_ns: At least that often.
            hand_over: Lets demands reach the kit, and feedback the computer.
        """
        step_ns = self.setup.step_ns
        while self.t_ns < self.setup.duration_ns:
            while self._actions and self._actions[0][0] <= self.t_ns:
                self._actions.pop(0)[1](self)
            step = max((self.t_ns + longest_ns) // step_ns, self.t_ns // step_ns + 1)
            end_ns = min(step * step_ns, self.setup.duration_ns)
            if self._actions:
                end_ns = min(end_ns, self._actions[0][0])
            self._span(end_ns, hand_over)
            yield self.t_ns

    def _span(self, end_ns: int, hand_over: HandOver) -> None:
        """Move on until `end_ns` is reached, or the kit's supply comes or goes.

        The vehicle moves in whole steps; where `end_ns` lies between two, so does the end of the span.
        """
        cart, rows, step_ns = self.cart, self._rows, self.setup.step_ns
        hand_over.plan(self.t_ns, end_ns)
        t_ns, fed = self.t_ns, False
        while t_ns < end_ns:
            if not self._stepped:
                cart.step(t_ns)
                if cart.computer.silent is not self._silent:
                    self._silence(cart.computer.silent)
                rows.append(state_of(cart))
                if cart.feed_changed:
                    fed = True
                    break
            self._stepped = False
            t_ns += step_ns - t_ns % step_ns
            if t_ns > end_ns:
                t_ns, self._stepped = end_ns, True
            hand_over.reach(t_ns, rows)
        self._stepped |= fed
        hand_over.close(self.t_ns, t_ns, rows)
        self._rows = rows[-1:] if self._stepped else []
        self.t_ns = t_ns
        if fed:
            self._feed()

    def _feed(self) -> None:
        """Switch the nodes of the kit whose supply has come or gone, or does so before the next step."""
        feed = self.cart.feed
        for name in self.kind.kit_nodes:
            if feed.up[name] is not self._fed[name]:
                self._fed[name] = feed.up[name]
                switch = partial(World.power_node, name=name, on=feed.up[name], after=feed.why[name])
                if feed.when_ns[name] > self.t_ns:
                    self.do_at(feed.when_ns[name], switch)
                else:
                    switch(self)

    def states(self, rows: list[tuple[float, ...]]) -> States:
        """Return some states as columns."""
        return States(rows, self.setup.seed, self.setup.parameters)

    def state(self, row: tuple[float, ...]) -> State:
        """Return one state."""
        return new_state((*row, self.setup.seed, self.setup.parameters))

    def sent(
        self, units: dict[str, SuppliedNode], start_ns: int, until_ns: int, states: States
    ) -> list[Releases]:
        """Return what nodes hand over in a span, from the states after each of its steps."""
        batches: list[Releases] = []
        last, first = len(states) - 1, start_ns // self.setup.step_ns
        for unit in units.values():
            if not unit.on:
                continue
            batches += unit.boot(until_ns)
            for sender in unit.senders:
                times = sender.due(until_ns)
                steps = np.clip(times // self.setup.step_ns - first, 0, last)
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
    kind: VehicleKind,
    bus: BusKind,
    messages: tuple[DescribedMessage, ...],
    layouts: dict[str, Layout],
    seed: int,
) -> dict[str, SuppliedNode]:
    """Make the nodes of a bus, with the messages that the description says they send."""
    first = 0 if bus is kind.drive else len(kind.drive.nodes)
    enable = {name: kind.machinery.rules[axes[0]].enable for name, axes in kind.demands.items()}
    units = {}
    for index, name in enumerate(bus.nodes):
        senders = tuple(
            Sender(
                layouts[each.name],
                index,
                kind.timings.get(each.name) or Timing(each.period_ns or 0),
                kind.tell.get(each.name, no_values),
                enable.get(each.name, ""),
            )
            for each in messages
            if each.sender == name and each.name != kind.copy
        )
        number = None if name == STRANGER else first + index
        units[name] = SuppliedNode(name, index, number, senders, seed, kind.boot)
    return units
