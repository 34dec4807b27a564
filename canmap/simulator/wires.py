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
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import empty_chunk, join
from canmap.simulator.buses.arbitration import BusRun
from canmap.simulator.buses.batch import BatchBus, joined
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.gateway import Gateway, Relay, Route
from canmap.simulator.buses.network import BusConfig, Node, Outcome, Queue, Release, Transmission
from canmap.simulator.buses.recorder import Recorder, Recording
from canmap.simulator.buses.traffic import Sent, Traffic, columns_of, frames_of
from canmap.simulator.cart.nodes import MS, batch, ordered
from canmap.simulator.cart.payloads import EXTENDED
from canmap.simulator.cart.world import LONGEST_SPAN_NS, HandOver, World

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.cart.kit import Axis
    from canmap.simulator.cart.nodes import Releases, Sender
    from canmap.simulator.cart.vehicle_kind import BusKind
    from canmap.simulator.cart.world import Setup

EPOCH_NS = 1_760_000_000 * 1_000_000_000
NEVER_NS = 1 << 62
LIVE_SPAN_NS = 250 * MS
Rows = list[tuple[float, ...]]


def recorded(setup: Setup) -> Iterator[FrameChunk]:
    """Run to the end; yield what was recorded, in arrival order."""
    plan = setup.plan
    if plan.live or plan.disturbances or setup.withdraws_ns:
        yield from recorded_live(setup, LIVE_SPAN_NS)
        return
    world = World(setup)
    ahead = _Ahead(world)
    drive_bus = BatchBus(_config(setup.kind.drive), (), setup.seed, setup.duration_ns)
    chassis_bus = BatchBus(_config(setup.kind.chassis), (), setup.seed + 1, setup.duration_ns)
    relay, together = Relay(_gateway(world), setup.seed), _Together(setup)
    chassis = ordered([])
    for _ in world.spans(LONGEST_SPAN_NS, ahead):
        sent = drive_bus.take(_traffic(ahead.taken("drive")))
        chassis = ordered([chassis, *ahead.taken("chassis"), *_batches(relay.take(_relayable(sent, world)))])
        settled = chassis.t_ns < sent.frames.t_ns.max(
            initial=0
        )  # the gateway releases nothing earlier any more
        passed = chassis_bus.take(_traffic([chassis.take(settled)]))
        chassis = chassis.take(~settled)
        yield from together.recorded([sent, passed])
    sent = drive_bus.finish()
    chassis = ordered([chassis, *_batches(relay.take(_relayable(sent, world)))])
    passed = joined([chassis_bus.take(_traffic([chassis])), chassis_bus.finish()])
    yield from together.recorded([sent, passed], final=True)


class _Together:
    """Records all buses, and hands on their frames in the order in which the recorder gets them."""

    def __init__(self, setup: Setup) -> None:
        self._recordings = _recordings(setup)
        self._cuts = sorted(setup.plan.cuts)
        self._waiting = [columns_of([]) for _ in self._recordings]
        self._until_ns = 0

    def recorded(self, sent: list[Sent], *, final: bool = False) -> Iterator[FrameChunk]:
        """Take what was sent next on each bus; yield what no bus can add to any more."""
        sent = sent[: len(self._recordings)]
        self._waiting = [joined([before, new]) for before, new in zip(self._waiting, sent, strict=True)]
        newest = [int(each.frames.t_ns.max(initial=0)) for each in self._waiting]
        settled_ns = NEVER_NS if final else max(self._until_ns, min(newest))
        edges = [cut for cut in self._cuts if self._until_ns < cut < settled_ns]
        for start_ns, stop_ns in pairwise([self._until_ns, *edges, settled_ns]):
            spans = [_between(each, start_ns, stop_ns) for each in self._waiting]
            yield merged(
                [recording.take(each) for recording, each in zip(self._recordings, spans, strict=True)]
            )
        self._waiting = [_between(each, settled_ns, NEVER_NS) for each in self._waiting]
        self._until_ns = settled_ns


def recorded_live(setup: Setup, span_ns: int) -> Iterator[FrameChunk]:
    """Run to the end, the drive bus with the vehicle; yield what was recorded, span by span."""
    world = World(setup)
    beside = _Beside(world)
    chassis_bus = BusRun(_config(setup.kind.chassis), (), setup.seed + 1)
    relay, recordings = Relay(_gateway(world), setup.seed), _recordings(setup)
    for until_ns in world.spans(span_ns, beside):
        sent, beside.transmissions = beside.transmissions, []
        chassis_bus.submit(_releases(beside.chassis))
        beside.chassis.clear()
        if world.kind.relay and world.units[world.kind.relay.gateway].on:
            chassis_bus.submit(relay.take(sent))
        passed = chassis_bus.advance(until_ns)
        yield merged(
            [
                recording.take(columns_of(each))
                for recording, each in zip(recordings, (sent, passed), strict=False)
            ]
        )


class _Ahead(HandOver):
    """Lets demands reach the kit in the step in which they are sent, and keeps what is sent for the bus."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self._sent: dict[str, list[Releases]] = {"drive": [], "chassis": []}
        self._schedule: list[tuple[int, Callable[[int], None]]] = []
        self._next = 0

    def plan(self, start_ns: int, end_ns: int) -> None:
        world = self.world
        acts = [(name, _obeyed(world, axis)) for axis, name in world.kind.machinery.demand_of.items()]
        acts.append((world.kind.seen.message, _seen(world)))
        schedule: list[tuple[int, Callable[[int], None]]] = []
        for name, act in acts:
            sender = world.senders[name]
            if world.units[sender.unit].on and not sender.trouble.stopped:
                schedule += [(t_ns, act) for t_ns in sender.due(end_ns).tolist()]
        self._schedule, self._next = sorted(schedule, key=itemgetter(0)), 0

    def reach(self, t_ns: int, rows: Rows) -> None:
        schedule = self._schedule
        while self._next < len(schedule) and schedule[self._next][0] < t_ns:
            due_ns, act = schedule[self._next]
            act(due_ns)
            self._next += 1

    def close(self, start_ns: int, end_ns: int, rows: Rows) -> None:
        if rows:
            world = self.world
            states = world.states(rows)
            self._sent["drive"] += world.sent(world.drive_units, start_ns, end_ns, states)
            self._sent["chassis"] += world.sent(world.chassis_units, start_ns, end_ns, states)

    def taken(self, bus: str) -> list[Releases]:
        """Return and forget what was sent on a bus."""
        sent, self._sent[bus] = self._sent[bus], []
        return sent


def _obeyed(world: World, which: str) -> Callable[[int], None]:
    """Return what lets an axis take the demand that the computer sends now, rounded as its frame does."""
    machinery, axis, computer = world.kind.machinery, world.cart.axes[which], world.cart.computer
    name, signal = machinery.demand_of[which], axis.rule.signal
    layout, together = world.layouts[name], set(world.kind.demands[name])

    def obey(t_ns: int) -> None:
        asked = {
            "steering": machinery.asked_angle(computer.asked_angle),
            "drive": computer.throttle,
            "brake": computer.brake,
        }
        axis.gear = computer.gear
        axis.obey(layout.rounded(signal, asked[which]), bool(together & computer.enabled), t_ns)

    return obey


def _seen(world: World) -> Callable[[int], None]:
    """Return what lets the computer see the speed that the kit tells now."""
    seen, cart = world.kind.seen, world.cart
    layout = world.layouts[seen.message]

    def see(t_ns: int) -> None:
        cart.computer.see_speed(layout.rounded(seen.signal, seen.unit * cart.vehicle.speed) / seen.unit, t_ns)

    return see


class _Beside(HandOver):
    """Runs the drive bus with the vehicle, step by step."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.transmissions: list[Transmission] = []
        self.chassis: list[Releases] = []
        setup = world.setup
        self._bus = BusRun(_config(setup.kind.drive), setup.plan.disturbances, setup.seed)
        self._schedule: list[tuple[int, Sender]] = []
        self._next = 0
        self._waiting: list[Release] = []
        self._handlers: dict[int, Callable[[Transmission], None]] = {}
        for name, names in world.kind.demands.items():
            axes = [world.cart.axes[axis_name] for axis_name in names]
            self._handlers[world.layouts[name].message.can_id] = partial(_received, axes)
        for name in (world.kind.seen.message, *world.kind.watches):
            self._handlers[world.layouts[name].message.can_id] = partial(self._hear, name)

    def _hear(self, name: str, sent: Transmission) -> None:
        computer, seen = self.world.cart.computer, self.world.kind.seen
        computer.hear(name, sent.t_ns)
        if name == seen.message:
            speed = self.world.layouts[name].read(sent.frame.payload, seen.signal)
            computer.see_speed(speed / seen.unit, sent.t_ns)

    def plan(self, start_ns: int, end_ns: int) -> None:
        schedule: list[tuple[int, Sender]] = []
        for unit in self.world.drive_units.values():
            self._waiting += _releases(unit.boot(end_ns))
            if unit.on:
                for sender in unit.senders:
                    schedule += [(t_ns, sender) for t_ns in sender.due(end_ns).tolist()]
        self._schedule, self._next = sorted(schedule, key=itemgetter(0)), 0

    def reach(self, t_ns: int, rows: Rows) -> None:
        schedule, world = self._schedule, self.world
        states = None
        while self._next < len(schedule) and schedule[self._next][0] < t_ns:
            due_ns, sender = schedule[self._next]
            self._next += 1
            states = states or world.states(rows[-1:])
            found = sender.run(np.array([due_ns]), states, world.cart.events)
            if found is not None:
                self._waiting += _releases([found])
        due = [release for release in self._waiting if release.t_ns < t_ns]
        if due:
            self._waiting = [release for release in self._waiting if release.t_ns >= t_ns]
            self._bus.submit(due)
        for sent in self._bus.advance(t_ns):
            self.transmissions.append(sent)
            handler = self._handlers.get(sent.frame.can_id)
            if handler is not None and sent.outcome is Outcome.SENT:
                handler(sent)

    def close(self, start_ns: int, end_ns: int, rows: Rows) -> None:
        if rows:
            world = self.world
            self.chassis += world.sent(world.chassis_units, start_ns, end_ns, world.states(rows))


def _received(axes: list[Axis], sent: Transmission) -> None:
    for axis in axes:
        axis.receive(sent.frame.payload, sent.t_ns)


# --- bus, gateway, recorder --------------------------------------------------------------------------


def _config(bus: BusKind | None) -> BusConfig:
    """Return a bus; where the vehicle has none, one on which nobody is."""
    if bus is None:
        return BusConfig("none", 250_000, ())
    nodes = tuple(Node(each, Queue.PRIORITY, mailboxes=3, replaces=True) for each in bus.nodes)
    return BusConfig(bus.name, bus.bit_rate, nodes)


def _gateway(world: World) -> Gateway:
    relay, chassis, beside = world.kind.relay, world.kind.chassis, world.setup.chassis
    if relay is None or chassis is None or beside is None:
        return Gateway(0, ())
    source = world.layouts[relay.source].message
    target = next(each.can_id for each in beside.messages if each.name == relay.copy)
    route = Route(source.can_id, source.extended, every=relay.every, relayed_id=target)
    losses = tuple(world.setup.plan.gateway_losses)
    return Gateway(chassis.nodes.index(relay.gateway), (route,), relay.delay_ns, MS // 2, losses)


def _recordings(setup: Setup) -> list[Recording]:
    return [
        Recording(
            Recorder(
                channel,
                EPOCH_NS,
                batch_ns=setup.batch_ns,
                latency_ns=50_000,
                jitter_ns=20_000,
                faults=tuple(setup.plan.recorder),
            ),
            setup.seed + number,
        )
        for number, channel in enumerate(setup.kind.channels)
    ]


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
    return [
        Release(t_ns, node, Frame(can_id & ~EXTENDED, bytes(payload[:length]), bool(can_id & EXTENDED)))
        for one in batches
        for t_ns, node, can_id, length, payload in zip(
            one.t_ns.tolist(),
            one.node.tolist(),
            one.can_id.tolist(),
            one.length.tolist(),
            one.payload,
            strict=True,
        )
    ]


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


def _relayable(sent: Sent, world: World) -> list[Transmission]:
    """Return the transmissions that the gateway listens to."""
    relay = world.kind.relay
    can_id = world.layouts[relay.source].message.can_id if relay else -1
    meant = sent.take((sent.frames.can_id == can_id) & (sent.outcome == Outcome.SENT))
    times, frames = meant.frames.t_ns.tolist(), frames_of(meant.frames)
    return [
        Transmission(t_ns, node, frame, queued_ns)
        for t_ns, node, frame, queued_ns in zip(
            times, meant.node.tolist(), frames, meant.queued_ns.tolist(), strict=True
        )
    ]


def _between(sent: Sent, start_ns: int, stop_ns: int) -> Sent:
    t_ns = sent.frames.t_ns
    return sent.take((t_ns >= start_ns) & (t_ns < stop_ns))


def merged(chunks: list[FrameChunk]) -> FrameChunk:
    """Put the channels' frames together by their stamps, none before another of its own channel."""
    both = join(chunks)
    keys = [np.maximum.accumulate(chunk.t_ns) for chunk in chunks]
    whole = both.take(np.argsort(np.concatenate(keys), kind="stable"))
    return replace(whole, line=np.arange(1, len(whole) + 1))
