"""Simulator: faults of the stop loop, of the supply and of what hangs on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import quantity, time_ns, word
from canmap.simulator.cart.chronicle import Subject
from canmap.simulator.cart.feed import LEAD_OHM
from canmap.simulator.cart.nodes import MS
from canmap.simulator.cart.world import STEP_NS
from canmap.simulator.noise import even_ns
from canmap.simulator.scenario.faults import EVERY, Effect, TimeSpan, drive_node
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import World

OPEN_FOR = Key("open_for", time_ns)
RESISTANCE = Key("resistance", quantity("ohm", positive=True), required=True)
WHERE = Key("where", word("a part of the supply", ("rail", "steering")))
UNPLUGGED = Key("node", drive_node, required=True)


def _loop(world: World, whole: bool) -> None:
    world.cart.chain.loop_wire = whole


def loop_open(_: SectionValues, span: TimeSpan) -> Effect:
    """A wire of the stop loop is open; nobody pressed a button."""
    return Effect(
        "A wire of the stop loop is open; nobody pressed a button. The relay cut the kit's supply.",
        signal=span.vehicle.signals.get("loop"),
        messages=span.vehicle.kit_messages,
        begin=lambda world: _loop(world, False),
        end=lambda world: _loop(world, True),
        touches=(Subject.LOOP,),
    )


def loop_chatter(values: SectionValues, span: TimeSpan) -> Effect:
    """A contact of the stop loop opens again and again, too short for the relay unless `open_for` is long."""
    open_ns, every_ns = values.get(OPEN_FOR) or STEP_NS, values.get(EVERY) or 300 * MS

    def begin(world: World) -> None:
        count = max(1, (span.stop_ns - span.start_ns) // every_ns)
        late = even_ns(world.setup.seed, "chatter", np.arange(count), every_ns // 2)
        for number, late_ns in enumerate(late.tolist()):
            t_ns = span.start_ns + number * every_ns + late_ns
            if t_ns + open_ns < span.stop_ns:
                world.do_at(t_ns, lambda world: _loop(world, False))
                world.do_at(t_ns + open_ns, lambda world: _loop(world, True))

    return Effect(
        f"A contact of the stop loop opens again and again, for {open_ns / 1e6:g} ms each time.",
        signal=span.vehicle.signals.get("loop"),
        messages=span.vehicle.loop_messages,
        begin=begin,
        end=lambda world: _loop(world, True),
        touches=(Subject.LOOP,),
    )


def too_short(values: SectionValues, _: VehicleKind) -> str | None:
    """Say so where the loop would not be seen open."""
    open_ns, every_ns = values.get(OPEN_FOR) or STEP_NS, values.get(EVERY) or 300 * MS
    if open_ns < STEP_NS:
        return f"The loop opens for {STEP_NS / 1e6:g} ms or longer: the cart moves in such steps."
    if every_ns < 2 * open_ns:
        return "The loop opens no more often than it could close in between: make `every` longer."
    return None


def supply_sag(values: SectionValues, span: TimeSpan) -> Effect:
    """The supply, or the lead of the steering node, has too much resistance: it sags under steering."""
    ohm, rail = si(values, RESISTANCE), values.get(WHERE) != "steering"

    def set_to(world: World, ohm: float) -> None:
        if rail:
            world.cart.feed.rail_ohm = ohm
        else:
            world.cart.feed.lead_ohm = LEAD_OHM + ohm

    node = span.vehicle.node_of["steering"]
    what = f"The supply of {', '.join(span.vehicle.kit_nodes)}" if rail else f"The supply lead of {node}"
    return Effect(
        f"{what} has {ohm:g} ohm too much: its voltage sags with the steering motor's current.",
        "drive" if not rail else None,
        None if rail else node,
        span.vehicle.signals["supply"].partition(".")[0],
        span.vehicle.signals["supply"],
        begin=lambda world: set_to(world, ohm),
        end=lambda world: set_to(world, 0.0),
        touches=(Subject.SUPPLY,),
    )


def node_unplugged(values: SectionValues, _: TimeSpan) -> Effect:
    """A node is unplugged: it has no supply and no bus."""
    node = str(values.get(UNPLUGGED))
    cause = f"{node} is unplugged."

    def end(world: World) -> None:
        world.power_node(node, world.cart.feed.up.get(node, True))

    return Effect(
        cause,
        node=node,
        begin=lambda world: world.power_node(node, False),
        end=end,
        touches=(node,),
    )
