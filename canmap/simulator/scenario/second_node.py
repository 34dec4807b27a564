"""Simulator: a second node that sends what one of the first sends: one message of it, or all.

It is a node of its own, with its own clock, phases and counters, and plausible values: its sensors and what
it asks for are a little different, and it does not set enable bits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.cart.kit import enable_of
from canmap.simulator.cart.vehicle_kind import STRANGER
from canmap.simulator.noise import even_ns
from canmap.simulator.scenario.bus_faults import SENDER
from canmap.simulator.scenario.faults import Effect, TimeSpan, named

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.messages import Values
    from canmap.simulator.cart.nodes import Sender
    from canmap.simulator.cart.world import Plan, World

ITS_SHARE = 0.8  # of what the first node measures or asks for
CLOCKS = ("s", "ms")  # units of what counts time, in which nothing is a share


def two_senders(values: SectionValues, _: TimeSpan) -> Effect:
    """A second node sends a message of the first, with a counter of its own."""
    found = named(values)
    name = found.message.name

    def begin(world: World) -> None:
        _start(world, (world.senders[name],))

    cause = f"A foreign node sends {name} in addition to {found.message.sender}."
    touches = (name, enable_of(name))
    return Effect(cause, found.bus, STRANGER, name, begin=begin, end=_stop, prepare=_live, touches=touches)


def identity_clash(values: SectionValues, _: TimeSpan) -> Effect:
    """A second node has the identity of one: it sends its boot message and all its cyclic messages too.

    Of a node with one message no capture tells it from `two_senders`, but for the second boot message.
    """
    node = str(values.get(SENDER))

    def begin(world: World) -> None:
        first = world.units[node]
        cyclic = [each for each in first.senders if not (each.timing.events or each.timing.on_change)]
        _start(world, tuple(cyclic), first.number)

    cause = f"A second node has the identity of {node}."
    return Effect(cause, node=node, begin=begin, end=_stop, prepare=_live, touches=(node,))


def _live(plan: Plan) -> None:
    plan.live = True


def _start(world: World, firsts: tuple[Sender, ...], number: int | None = None) -> None:
    """Let the second node send what `firsts` send, and as `number` its boot message."""
    stranger, seed = world.units[STRANGER], world.setup.seed
    twins = [_twin(first, stranger.index) for first in firsts]
    for twin in twins:
        latest_ns = twin.timing.period_ns - 1
        twin.phase_ns = int(even_ns(seed, f"phase {twin.name}", np.zeros(1, np.int64), latest_ns)[0])
    stranger.senders, stranger.number = tuple(twins), number
    stranger.power(True, world.t_ns)


def _stop(world: World) -> None:
    world.units[STRANGER].power(False, world.t_ns)


def _twin(first: Sender, node: int) -> Sender:
    """Return the second node's sender of the same message."""
    measured = {each.name for each in first.layout.message.signals if each.unit and each.unit not in CLOCKS}

    def alter(values: Values) -> Values:
        shared = {name: ITS_SHARE * column for name, column in values.items() if name in measured}
        off = {first.enable: 0.0} if first.enable in values else {}
        return values | shared | off

    return first.twin(node, alter)
