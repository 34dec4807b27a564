"""Simulator: cart, nodes, two buses, gateway and recorder, run step by step into a stream of frames.

In: a plan, a seed. Out: chunks of frames as a recorder of both buses stamps them. The drive bus runs with the
vehicle, because the kit acts on what it receives; nothing of the chassis bus comes back, so it follows in
slices.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

import numpy as np

from canmap.chunks import join
from canmap.simulator.bus import Bus
from canmap.simulator.cart import Cart
from canmap.simulator.gateway import Gateway, Relay, Route
from canmap.simulator.layout import Layout
from canmap.simulator.messages import TELL
from canmap.simulator.network import BusConfig, Node, Outcome, Queue
from canmap.simulator.nodes import MS, Sender, Timers, Timing, Unit
from canmap.simulator.plan import Plan
from canmap.simulator.recorder import Recorder, Recording
from canmap.simulator.vehicle import VehicleParameters

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.chunks import FrameChunk
    from canmap.simulator.network import Transmission
    from canmap.spec.description import Description

STEP_NS = 5 * MS
SLICE_NS = 250 * MS
EPOCH_NS = 1_760_000_000 * 1_000_000_000
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
RELAYED, RELAYED_AS, RELAYED_EVERY, RELAY_DELAY_NS = "SteerFeedback", "ChassisSteering", 4, 2 * MS
SPECIAL_TIMING = {
    "OperatorPanel": Timing(20 * MS, on_change=True, heartbeat_ns=1000 * MS, gap_ns=50 * MS),
    "KitEvent": Timing(10 * MS, events=True),
}


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
    parameters: VehicleParameters = VehicleParameters()
    batch_ns: int = 0
    step_ns: int = STEP_NS


class World:
    """A run.

    Attributes:
        cart: The vehicle.
        units: Nodes of both buses by name.
        senders: Messages by name.
        t_ns: Simulated time.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup, plan = setup, setup.plan
        self._noise = Random(setup.seed)
        layouts = {each.name: Layout(each, DATA_IDS.get(each.name)) for each in setup.kit.messages}
        self.layouts = layouts
        self.cart = Cart(setup.parameters, layouts, setup.step_ns / 1e9)
        sent = {**layouts, **plan.layouts}
        drive = _units(setup.kit, sent, DRIVE_NODES)
        chassis = _units(setup.chassis, {each.name: Layout(each) for each in setup.chassis.messages}, CHASSIS_NODES)
        self.units = drive | chassis
        self.senders = {sender.name: sender for unit in self.units.values() for sender in unit.senders}
        self.timers = Timers(drive, self._noise)
        self._body_timers = Timers(chassis, self._noise)
        self.t_ns = 0
        self._actions = sorted(plan.actions, key=lambda action: action[0])
        self._bus = Bus(_config("drive", 500_000, DRIVE_NODES), plan.disturbances["drive"], setup.seed)
        self._chassis = Bus(
            _config("chassis", 250_000, CHASSIS_NODES), plan.disturbances["chassis"], setup.seed + 1
        )
        self._relay = Relay(self._gateway(), setup.seed)
        self._recordings = [self._recording(channel, i) for i, channel in enumerate(("can0", "can1"))]
        self._handlers = self._receivers()
        self._kit_supply = False
        self._body_ns = 0

    def _gateway(self) -> Gateway:
        named = {each.name: each.can_id for each in (*self._setup.kit.messages, *self._setup.chassis.messages)}
        route = Route(named[RELAYED], every=RELAYED_EVERY, relayed_id=named[RELAYED_AS])
        losses = tuple(self._setup.plan.gateway_losses)
        return Gateway(CHASSIS_NODES.index("Gateway"), (route,), RELAY_DELAY_NS, MS // 2, losses)

    def _recording(self, channel: str, number: int) -> Recording:
        setup = self._setup
        recorder = Recorder(
            channel,
            EPOCH_NS,
            batch_ns=setup.batch_ns,
            latency_ns=50_000,
            jitter_ns=20_000,
            faults=tuple(setup.plan.recorder),
        )
        return Recording(recorder, setup.seed + number)

    def _receivers(self) -> dict[int, Callable[[Transmission], None]]:
        """Who does something with which identifier."""
        handlers: dict[int, Callable[[Transmission], None]] = {}
        for name, axis_name in DEMANDS.items():
            axis = self.cart.axes[axis_name]
            handlers[self.layouts[name].message.can_id] = lambda sent, axis=axis: axis.receive(
                sent.frame.payload, sent.t_ns
            )
        for name, see in (("DriveFeedback", self._see_speed), ("SteerFeedback", self._see_angle)):
            handlers[self.layouts[name].message.can_id] = see
        return handlers

    def _see_speed(self, sent: Transmission) -> None:
        speed = self.layouts["DriveFeedback"].read(sent.frame.payload, "Speed")
        self.cart.computer.see_speed(speed / 3.6, sent.t_ns)

    def _see_angle(self, sent: Transmission) -> None:
        angle = self.layouts["SteerFeedback"].read(sent.frame.payload, "Angle")
        self.cart.computer.see_angle(-np.deg2rad(angle).item())

    def switch(self, on: bool) -> None:
        """Turn the main switch: it feeds all nodes, those of the kit through the relay of the e-stop chain."""
        self.cart.chain.switch(on)
        for name in ("VehicleNode", "Supervisor", "Computer"):
            self.timers.power(self.units[name], on, self.t_ns)
        for name in CHASSIS_NODES:
            self._body_timers.power(self.units[name], on, self.t_ns)

    def power_node(self, name: str, on: bool) -> None:
        """Switch the supply of one node, and of the axis that it moves."""
        unit = self.units[name]
        if unit.on is not on:
            self.timers.power(unit, on, self.t_ns)
            if name in AXIS_OF:
                self.cart.axes[AXIS_OF[name]].power(on, self.t_ns)

    def slices(self, slice_ns: int = SLICE_NS) -> Iterator[FrameChunk]:
        """Run to the end, yielding what was recorded slice by slice, in arrival order."""
        setup = self._setup
        ends = {*range(slice_ns, setup.duration_ns, slice_ns), setup.duration_ns}
        ends |= {cut for cut in setup.plan.cuts if 0 < cut < setup.duration_ns}
        for end_ns in sorted(ends):
            sent = self._run(end_ns)
            yield self._recorded(sent, self._run_chassis(sent, end_ns))
        yield _merged([recording.finish() for recording in self._recordings])

    def _run(self, end_ns: int) -> list[Transmission]:
        """Run vehicle and drive bus up to `end_ns`."""
        step_ns, cart, timers, bus, handlers = (
            self._setup.step_ns,
            self.cart,
            self.timers,
            self._bus,
            self._handlers,
        )
        everything: list[Transmission] = []
        while self.t_ns < end_ns:
            t_ns = self.t_ns
            while self._actions and self._actions[0][0] <= t_ns:
                self._actions.pop(0)[1](self)
            cart.step(t_ns)
            if cart.chain.supply is not self._kit_supply:
                self._kit_supply = cart.chain.supply
                for name in KIT_NODES:
                    self.power_node(name, self._kit_supply)
            until_ns = t_ns + step_ns
            releases = timers.run(until_ns, cart)
            if releases:
                bus.submit(releases)
            for sent in bus.advance(until_ns):
                everything.append(sent)
                handler = handlers.get(sent.frame.can_id)
                if handler is not None and sent.outcome is Outcome.SENT:
                    handler(sent)
            self.t_ns = until_ns
        return everything

    def _run_chassis(self, sent: list[Transmission], end_ns: int) -> list[Transmission]:
        """Run the chassis bus up to `end_ns`, with what the gateway passes on."""
        relayed = self._relay.take(sent) if self.units["Gateway"].on else []
        self._chassis.submit([*relayed, *self._body_timers.run(end_ns, self.cart)])
        return self._chassis.advance(end_ns)

    def _recorded(self, *sent: list[Transmission]) -> FrameChunk:
        return _merged([recording.take(each) for recording, each in zip(self._recordings, sent, strict=True)])


def _units(description: Description, layouts: dict[str, Layout], names: tuple[str, ...]) -> dict[str, Unit]:
    """Make the nodes of a bus, with the messages that the description says they send."""
    units = {}
    for index, name in enumerate(names):
        senders = tuple(
            Sender(
                layouts[each.name],
                index,
                SPECIAL_TIMING.get(each.name) or Timing(each.period_ns or 0),
                TELL.get(each.name),
            )
            for each in description.messages
            if each.sender == name and each.name != RELAYED_AS
        )
        units[name] = Unit(name, index, index + (len(DRIVE_NODES) if names is CHASSIS_NODES else 0), senders)
    return units


def _config(name: str, bit_rate: int, nodes: tuple[str, ...]) -> BusConfig:
    return BusConfig(name, bit_rate, tuple(Node(each, Queue.PRIORITY, mailboxes=3, replaces=True) for each in nodes))


def _merged(chunks: list[FrameChunk]) -> FrameChunk:
    """Put the channels' frames together by their stamps, none before another of its own channel."""
    if sum(len(chunk) > 0 for chunk in chunks) < 2:
        return next((chunk for chunk in chunks if len(chunk)), chunks[0])
    both = join(chunks)
    keys = np.concatenate([np.maximum.accumulate(chunk.t_ns) for chunk in chunks])
    return both.take(np.argsort(keys, kind="stable"))
