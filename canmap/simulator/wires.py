"""Simulator: what the nodes send to what is recorded: the buses, the gateway, the recorder.

Two ways, with the same result but for a step of the vehicle by which a demand may reach the kit earlier or
later. `recorded` moves the vehicle first, every demand reaching the kit in the step in which it is sent, and
then asks the buses for the whole run at once: fast. `recorded_live` runs the drive bus with the vehicle, so
that the kit acts on what it really receives: needed where the bus, or a demand, is disturbed, and where
frames are wanted while time goes on. Nothing of the chassis bus comes back to the vehicle.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import empty_chunk
from canmap.simulator.buses.batch import BatchBus, joined
from canmap.simulator.buses.frame import new_frame
from canmap.simulator.buses.gateway import Relay
from canmap.simulator.buses.network import (
    NodeState,
    Outcome,
    Release,
    Transmission,
    new_release,
)
from canmap.simulator.buses.split_bus import SplitBus
from canmap.simulator.buses.traffic import Sent, Traffic, frames_of, heard_of, releases_of
from canmap.simulator.cart.chronicle import Happened, Subject
from canmap.simulator.cart.nodes import MS, batch, ordered
from canmap.simulator.cart.payloads import EXTENDED
from canmap.simulator.cart.states import FIELDS
from canmap.simulator.cart.world import LONGEST_SPAN_NS, HandOver, World
from canmap.simulator.recorders import RecordedTogether, merged, recordings, with_clocks
from canmap.simulator.wire_setup import bus_config, gateway, other_traffic

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.cart.kit import Axis
    from canmap.simulator.cart.nodes import Releases, Sender
    from canmap.simulator.cart.world import Setup

LIVE_SPAN_NS = 2000 * MS
OTHERS_AHEAD_NS = 10_000 * MS  # of other traffic, which depends on nothing here and is made in long spans
Row = tuple[float, ...]
Rows = list[Row]
ASKED = {"steering": "asked_angle", "drive": "asked_throttle", "brake": "asked_brake"}
# Names of a module are found ten times as fast as members of an enumeration.
SENT = Outcome.SENT
ERROR_ACTIVE, BUS_OFF = NodeState.ERROR_ACTIVE, NodeState.BUS_OFF


def recorded(setup: Setup) -> Iterator[FrameChunk]:
    """Run to the end; yield what was recorded, in arrival order; by two clocks, in the order of stamps."""
    plan = setup.plan
    live = plan.live or plan.disturbed or setup.withdraws_ns or plan.recording.far
    yield from with_clocks(setup, recorded_live(setup, LIVE_SPAN_NS) if live else _recorded_ahead(setup))


def _recorded_ahead(setup: Setup) -> Iterator[FrameChunk]:
    world = World(setup)
    ahead = _Ahead(world)
    config = bus_config(setup.kind.drive, others=setup.others is not None)
    drive_bus = BatchBus(config, (), setup.seed, setup.duration_ns)
    chassis_bus = BatchBus(bus_config(setup.kind.chassis), (), setup.seed + 1, setup.duration_ns)
    relay, together = Relay(gateway(world), setup.seed), RecordedTogether(setup)
    chassis = ordered([])
    for _ in world.spans(LONGEST_SPAN_NS, ahead):
        sent = drive_bus.take(_traffic(ahead.taken("drive")))
        chassis = ordered([chassis, *ahead.taken("chassis"), *_batches(relay.take(_relayable(sent, relay)))])
        # The gateway releases nothing earlier any more.
        settled = chassis.t_ns < sent.frames.t_ns.max(initial=0)
        passed = chassis_bus.take(_traffic([chassis.take(settled)]))
        chassis = chassis.take(~settled)
        yield from together.recorded([sent, passed])
    sent = drive_bus.finish()
    chassis = ordered([chassis, *_batches(relay.take(_relayable(sent, relay)))])
    passed = joined([chassis_bus.take(_traffic([chassis])), chassis_bus.finish()])
    yield from together.recorded([sent, passed], final=True)


def recorded_live(setup: Setup, span_ns: int) -> Iterator[FrameChunk]:
    """Run to the end, the drive bus with the vehicle; yield what was recorded, span by span."""
    world = World(setup)
    beside = _Beside(world)
    plan, config = setup.plan, bus_config(setup.kind.chassis)
    chassis_bus = SplitBus(config, plan.chassis_disturbances, plan.chassis_splits, setup.seed + 1)
    relay, recorders = Relay(gateway(world), setup.seed), recordings(setup)
    for until_ns in world.spans(span_ns, beside):
        sent, beside.transmissions = beside.transmissions, []
        heard = [heard_of(sent)]
        chassis_bus.submit(_releases(beside.chassis))
        beside.chassis.clear()
        if world.kind.relay and world.units[world.kind.relay.gateway].on:
            meant = [sent[row] for row in relay.meant(heard[0]).tolist()]
            chassis_bus.submit(relay.take(meant, until_ns))
        else:
            relay.forget()
        passed, far = chassis_bus.advance(until_ns), beside.taken_far()
        if setup.kind.chassis is not None:
            heard.append(heard_of(passed))
        if plan.recording.far:
            heard.append(heard_of(far))
        yield merged([recording.take(each) for recording, each in zip(recorders, heard, strict=True)])


class _Ahead(HandOver):
    """Lets demands reach the kit in the step in which they are sent, and keeps what is sent for the bus."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self._sent: dict[str, list[Releases]] = {"drive": [], "chassis": []}
        self._others = other_traffic(world.setup)
        self._schedule: list[tuple[int, Callable[[int, Row], None]]] = []
        self._next = 0

    def plan(self, start_ns: int, end_ns: int) -> None:
        world = self.world
        acts = [(name, _obeyed(world, axis)) for axis, name in world.kind.machinery.demand_of.items()]
        acts.append((world.kind.seen.message, _seen(world)))
        schedule: list[tuple[int, Callable[[int, Row], None]]] = []
        for name, act in acts:
            sender = world.senders[name]
            if world.units[sender.unit].on and not sender.trouble.stopped:
                schedule += [(t_ns, act) for t_ns in sender.due(end_ns).tolist()]
        self._schedule, self._next = sorted(schedule, key=itemgetter(0)), 0

    def reach(self, t_ns: int, rows: Rows) -> None:
        schedule = self._schedule
        while self._next < len(schedule) and schedule[self._next][0] < t_ns:
            due_ns, act = schedule[self._next]
            act(due_ns, rows[-1])
            self._next += 1

    def close(self, start_ns: int, end_ns: int, rows: Rows) -> None:
        if self._others is not None:
            self._sent["drive"].append(self._others.take(end_ns))
        if rows:
            world = self.world
            states = world.states(rows)
            self._sent["drive"] += world.sent(world.drive_units, start_ns, end_ns, states)
            self._sent["chassis"] += world.sent(world.chassis_units, start_ns, end_ns, states)

    def taken(self, bus: str) -> list[Releases]:
        """Return and forget what was sent on a bus."""
        sent, self._sent[bus] = self._sent[bus], []
        return sent


def _obeyed(world: World, which: str) -> Callable[[int, Row], None]:
    """Return what lets an axis take the demand that the computer sends now, rounded as its frame does.

    It takes it out of the state after the last step, as its frame does too: what the computer was told since
    is in neither.
    """
    machinery, axis = world.kind.machinery, world.cart.axes[which]
    name, signal = machinery.demand_of[which], axis.rule.signal
    layout, place = world.layouts[name], FIELDS.index
    asked, gear = place(ASKED[which]), place("asked_gear")
    enables = [place(f"{each}_enable") for each in world.kind.demands[name]]
    told = machinery.asked_angle if which == "steering" else float

    def obey(t_ns: int, row: Row) -> None:
        axis.gear = row[gear]
        enable = any(row[each] for each in enables)
        axis.obey(layout.rounded(signal, told(row[asked])), enable, t_ns)

    return obey


def _seen(world: World) -> Callable[[int, Row], None]:
    """Return what lets the computer see the speed that the kit tells now."""
    seen, cart = world.kind.seen, world.cart
    layout = world.layouts[seen.message]

    def see(t_ns: int, _: Row) -> None:
        cart.computer.see_speed(layout.rounded(seen.signal, seen.unit * cart.vehicle.speed) / seen.unit, t_ns)

    return see


class _Beside(HandOver):
    """Runs the drive bus with the vehicle, step by step."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.transmissions: list[Transmission] = []
        self.chassis: list[Releases] = []
        setup = world.setup
        plan = setup.plan
        config = bus_config(setup.kind.drive, plan.recovery_ns, others=setup.others is not None)
        self._others, self._others_ns = other_traffic(setup), 0  # until when their frames are worked out
        self._noted, self._off = 0, dict[str, int]()  # outages, and places of those that are bus-off
        far = plan.recording.far
        self._far_at = None if far is None else setup.kind.drive.nodes.index(far.node)
        self._far: list[Transmission] = []
        self._bus = SplitBus(config, plan.disturbances, plan.splits, setup.seed, self._far_at)
        self._schedule: list[tuple[int, Sender]] = []
        self._next = 0
        self._waiting: list[Release] = []
        self._beside: list[Release] = []  # of other nodes, the latest first
        # By identifier: node, what it does.
        self._listeners: dict[int, list[tuple[int, Callable[[Transmission], None]]]] = {}
        computer = world.senders[next(iter(world.kind.demands))].unit
        for name, axis_names in world.kind.demands.items():
            for axis_name in axis_names:
                act = partial(_received, world.cart.axes[axis_name])
                self._listen(world.kind.node_of[axis_name], name, act)
        for name in dict.fromkeys((world.kind.seen.message, *world.kind.watches)):
            self._listen(computer, name, partial(self._hear, name))

    def _note_outages(self) -> None:
        """Note which nodes went bus-off or came back."""
        outages = self._bus.outages
        if self._noted == len(outages):
            return
        chronicle, nodes = self.world.chronicle, self.world.kind.drive.nodes
        new, self._noted = outages[self._noted :], len(outages)
        for t_ns, index, state, _, _ in new:
            node = nodes[index] if index < len(nodes) else None
            if node is not None and state is BUS_OFF:
                after = chronicle.about(t_ns, node, Subject.BUS)
                about = self.world.kind.subjects(node)
                self._off[node] = chronicle.note(t_ns, Happened.BUS_OFF, node, after=after, about=about)
            elif node in self._off and state is ERROR_ACTIVE:
                place = self._off.pop(node)
                chronicle.end(place, t_ns)
                chronicle.note(t_ns, Happened.BUS_ON, node, after=place)

    def _listen(self, node: str, message: str, act: Callable[[Transmission], None]) -> None:
        index, can_id = self.world.units[node].index, self.world.layouts[message].message.can_id
        self._listeners.setdefault(can_id, []).append((index, act))

    def _hear(self, name: str, sent: Transmission) -> None:
        computer, seen = self.world.cart.computer, self.world.kind.seen
        computer.hear(name, sent.t_ns)
        if name == seen.message:
            speed = self.world.layouts[name].read(sent.frame.payload, seen.signal)
            computer.see_speed(speed / seen.unit, sent.t_ns)

    def plan(self, start_ns: int, end_ns: int) -> None:
        schedule: list[tuple[int, Sender]] = []
        if self._others is not None and end_ns > self._others_ns:
            self._others_ns = min(end_ns + OTHERS_AHEAD_NS, self.world.setup.duration_ns)
            self._beside = releases_of(_traffic([self._others.take(self._others_ns)]))[::-1] + self._beside
        for unit in self.world.drive_units.values():
            if unit.forgot:
                self._waiting = [each for each in self._waiting if each.node != unit.index]
                unit.forgot = False
            self._waiting += _releases(unit.boot(end_ns))
            if unit.on:
                for sender in unit.senders:
                    schedule += [(t_ns, sender) for t_ns in sender.due(end_ns).tolist()]
        self._schedule, self._next = sorted(schedule, key=itemgetter(0)), 0

    def reach(self, t_ns: int, rows: Rows) -> None:
        self._send(t_ns, rows[-1])
        due = [release for release in self._waiting if release[0] < t_ns]
        if due:
            self._waiting = [release for release in self._waiting if release[0] >= t_ns]
        while self._beside and self._beside[-1][0] < t_ns:
            due.append(self._beside.pop())
        if due:
            self._bus.submit(due)
        beyond, here = self._bus.heard_beyond(t_ns), self._bus.advance(t_ns)
        self.transmissions += here
        if self._far_at is not None:
            reached = (sent for sent in here + beyond if self._bus.reaches(self._far_at, sent))
            self._far += sorted(reached, key=itemgetter(0))
        self._note_outages()
        listeners, hears = self._listeners, self._bus.hears
        for sent in here + beyond if beyond else here:
            can_id = sent[2][0]
            if can_id in listeners and sent[5] is SENT:
                for node, act in listeners[can_id]:
                    if hears(node, sent):
                        act(sent)

    def _send(self, t_ns: int, row: Row) -> None:
        """Let the timers run out that do so before `t_ns`, in the state of the last step."""
        schedule, place, events = self._schedule, self._next, self.world.cart.events
        state = None
        while place < len(schedule) and schedule[place][0] < t_ns:
            due_ns, sender = schedule[place]
            place += 1
            state = state or self.world.state(row)
            self._waiting += sender.run_one(due_ns, state, events)
        self._next = place

    def taken_far(self) -> list[Transmission]:
        """Return and forget what was sent where the far recorder hears it."""
        far, self._far = self._far, []
        return far

    def close(self, start_ns: int, end_ns: int, rows: Rows) -> None:
        if rows:
            world = self.world
            self.chassis += world.sent(world.chassis_units, start_ns, end_ns, world.states(rows))


def _received(axis: Axis, sent: Transmission) -> None:
    axis.receive(sent.frame.payload, sent.t_ns)


# --- frames one by one, and as columns ---------------------------------------------------------------


def _traffic(batches: list[Releases]) -> Traffic:
    whole = ordered(batches)
    n = len(whole.t_ns)
    frames = replace(
        empty_chunk(("",), n),
        t_ns=whole.t_ns,
        can_id=(whole.can_id & ~EXTENDED).astype(np.uint32),
        extended=(whole.can_id & EXTENDED).astype(np.bool_),
        length=whole.length.astype(np.uint8),
        payload=whole.payload,
    )
    return Traffic(frames, whole.node)


def _releases(batches: Iterable[Releases]) -> list[Release]:
    made: list[Release] = []
    for one in batches:
        data, width = one.payload.tobytes(), one.payload.shape[1]
        begins = range(0, len(data), width)
        columns = (each.tolist() for each in (one.t_ns, one.node, one.can_id, one.length))
        for t_ns, node, wire_id, length, begin in zip(*columns, begins, strict=True):
            can_id, extended = wire_id & ~EXTENDED, bool(wire_id & EXTENDED)
            frame = new_frame((can_id, data[begin : begin + length], extended, False, 0, 0))
            made.append(new_release((t_ns, node, frame, None)))
    return made


def _batches(releases: list[Release]) -> list[Releases]:
    return [
        batch(
            np.array([release.t_ns]),
            release.node,
            release.frame.can_id | EXTENDED * release.frame.extended,
            np.frombuffer(release.frame.payload, np.uint8).reshape(1, -1),
        )
        for release in releases
    ]


def _relayable(sent: Sent, relay: Relay) -> list[Transmission]:
    """Return the transmissions that the gateway listens to."""
    meant = sent.take(relay.meant(sent))
    times, frames = meant.frames.t_ns.tolist(), frames_of(meant.frames)
    return [
        Transmission(t_ns, node, frame, queued_ns)
        for t_ns, node, frame, queued_ns in zip(
            times, meant.node.tolist(), frames, meant.queued_ns.tolist(), strict=True
        )
    ]
