"""Simulator: the lines of a script to what operator, driver and computer do, and when.

A line says when, who and what: ``{at: 3 s, computer: drive, speed: 10 km/h}``. `DEEDS` is the whole
vocabulary.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import listed
from canmap.mapping.reading.marks import Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import Key, Section, SectionValues, mapping
from canmap.mapping.reading.shapes import list_of, quantity, time_ns, word
from canmap.simulator.cart.chronicle import Happened, Subject
from canmap.simulator.cart.people import AXES, REACTION_NS
from canmap.simulator.noise import even_ns
from canmap.vocabulary.record_types import Gear

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context
    from canmap.simulator.cart.world import Plan, World
    from canmap.vocabulary.units import Measure

GEARS = {gear.name.lower(): gear for gear in Gear}
SWITCH = {"driver": 0, "computer": 2}


def moment_ns(node: Node, context: Context) -> int | None:
    """Read a time from the start, zero included, in ns."""
    value = quantity("s")(node, context)
    if value is None:
        return None
    if not 0 <= value.si <= 7 * 86400:
        context.faults.add(node.place, "The time is not between 0 s and a week.")
        return None
    return round(value.si * 10**9)


AT = Key("at", moment_ns, required=True)
FOR = Key("for", moment_ns)
SPEED = Key("speed", quantity("m/s"), required=True)
ANGLE = Key("angle", quantity("rad"), required=True)
RATE = Key("rate", quantity("rad/s", positive=True))
GEAR = Key("gear", word("a gear", GEARS), required=True)
PEDAL = Key("pedal", quantity("1"), required=True)
EFFORT = Key("effort", quantity("1"), required=True)
TORQUE = Key("torque", quantity("N m"), required=True)
TO = Key("to", word("a position of the switch", SWITCH), required=True)
AFTER = Key("after", time_ns)
REACTIONS = ("brake", "wheel")
WITH = Key("with", list_of(word("what he reacts with", REACTIONS), "what he reacts with"))
AXIS_LIST = Key("axes", list_of(word("an axis", AXES), "axes"))


def si(values: SectionValues, key: Key[Measure]) -> float:
    """Return a quantity that is there, in SI."""
    return float(cast("Measure", values.get(key)).si)


class Deed(NamedTuple):
    """Something that somebody can do.

    Attributes:
        keys: What the line says beside `at`, who and what.
        do: Does it.
        undo: Ends it after `for`.
        touches: Subjects of the chronicle that it is the reason for.
        ends: Subjects that nothing is wrong with any more.
    """

    do: Callable[[World, SectionValues], None]
    keys: tuple[Key[object], ...] = ()
    undo: Callable[[World], None] | None = None
    touches: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()


# --- the operator ------------------------------------------------------------------------------------


def _press(world: World, _: SectionValues) -> None:
    world.cart.chain.pressed = True


def _release(world: World, _: SectionValues) -> None:
    world.cart.chain.pressed = False


def _press_radio(world: World, _: SectionValues) -> None:
    world.cart.chain.radio_pressed = True


def _release_radio(world: World, _: SectionValues) -> None:
    world.cart.chain.radio_pressed = False


def _reset(world: World, _: SectionValues) -> None:
    world.cart.chain.reset()
    for axis in world.cart.axes.values():
        axis.reset(world.t_ns)


def _select(world: World, values: SectionValues) -> None:
    world.cart.mode_switch = SWITCH[cast("str", values.get(TO))]


# --- the driver --------------------------------------------------------------------------------------


def _feet(world: World, speed: float | None) -> None:
    """Let him want this speed, None: feet off the pedals."""
    driver = world.cart.driver
    driver.foot, driver.speed = None, speed
    driver.act()


def _driver_speed(world: World, values: SectionValues) -> None:
    _feet(world, si(values, SPEED))


def _driver_coast(world: World, _: SectionValues) -> None:
    _feet(world, None)


def _driver_stop(world: World, _: SectionValues) -> None:
    _feet(world, 0.0)


def _driver_watch(world: World, values: SectionValues) -> None:
    driver = world.cart.driver
    low_ns, high_ns = REACTION_NS
    drawn_ns = low_ns + int(even_ns(driver.seed, "reaction", np.zeros(1, np.int64), high_ns - low_ns)[0])
    driver.reacts_ns = values.get(AFTER) or drawn_ns
    driver.reacts_with = frozenset(values.get(WITH) or ("brake",))


def _driver_turn(world: World, values: SectionValues) -> None:
    world.cart.driver.angle = si(values, ANGLE)


def _driver_foot(world: World, values: SectionValues) -> None:
    world.cart.driver.act()
    world.cart.driver.foot = 100.0 * si(values, PEDAL)


def _foot_off(world: World) -> None:
    world.cart.driver.foot = None


def _driver_hold(world: World, values: SectionValues) -> None:
    world.cart.driver.torque = si(values, TORQUE)


def _hands_off(world: World) -> None:
    world.cart.driver.torque = 0.0


def _shift(world: World, values: SectionValues) -> None:
    world.cart.driver.gear = GEARS[cast("str", values.get(GEAR))]


def _set_parking(world: World, _: SectionValues) -> None:
    world.cart.parking = True


def _release_parking(world: World, _: SectionValues) -> None:
    world.cart.parking = False


# --- the computer ------------------------------------------------------------------------------------


def _enable(world: World, values: SectionValues) -> None:
    """Set the enable bits; start from the measured wheel angle, so that taking over moves nothing."""
    computer = world.cart.computer
    if "steering" not in computer.enabled:
        computer.asked_angle = computer.angle = world.cart.measured_angle
    computer.enable(set(values.get(AXIS_LIST) or AXES), world.t_ns)


def _hand_back(world: World, values: SectionValues) -> None:
    computer = world.cart.computer
    computer.enabled -= set(values.get(AXIS_LIST) or AXES)
    computer.effort = None


def _computer_speed(world: World, values: SectionValues) -> None:
    computer, speed = world.cart.computer, si(values, SPEED)
    computer.speed, computer.effort = speed, None
    if speed:
        computer.gear = Gear.FORWARD if speed > 0 else Gear.REVERSE


def _computer_stop(world: World, _: SectionValues) -> None:
    world.cart.computer.speed, world.cart.computer.effort = 0.0, None


def _computer_turn(world: World, values: SectionValues) -> None:
    computer, rate = world.cart.computer, values.get(RATE)
    computer.angle = si(values, ANGLE)
    computer.angle_rate = math.radians(90.0) if rate is None else float(rate.si)


def _computer_step(world: World, values: SectionValues) -> None:
    computer = world.cart.computer
    computer.angle, computer.angle_rate = si(values, ANGLE), math.inf


def _computer_brake(world: World, values: SectionValues) -> None:
    world.cart.computer.effort = 100.0 * si(values, EFFORT)


DEEDS: dict[str, dict[str, Deed]] = {
    "operator": {
        "switch on": Deed(lambda world, _: world.switch(True), ends=(Subject.SWITCH,)),
        "switch off": Deed(lambda world, _: world.switch(False), touches=(Subject.SWITCH,)),
        "press stop": Deed(_press, touches=(Subject.BUTTON,)),
        "release stop": Deed(_release, ends=(Subject.BUTTON,)),
        "press radio stop": Deed(_press_radio, touches=(Subject.RADIO_BUTTON,)),
        "release radio stop": Deed(_release_radio, ends=(Subject.RADIO_BUTTON,)),
        "reset": Deed(_reset),
        "select": Deed(_select, (TO,)),
    },
    "driver": {
        "drive": Deed(_driver_speed, (SPEED,)),
        "coast": Deed(_driver_coast),
        "stop": Deed(_driver_stop),
        "watch": Deed(_driver_watch, (AFTER, WITH)),
        "turn": Deed(_driver_turn, (ANGLE,)),
        "press brake": Deed(_driver_foot, (PEDAL,), _foot_off, (Subject.PEDAL,)),
        "hold wheel": Deed(_driver_hold, (TORQUE,), _hands_off, (Subject.HAND,)),
        "shift": Deed(_shift, (GEAR,)),
        "set parking brake": Deed(_set_parking),
        "release parking brake": Deed(_release_parking),
    },
    "computer": {
        "enable": Deed(_enable, (AXIS_LIST,), ends=(Subject.HAND_BACK,)),
        "hand back": Deed(_hand_back, (AXIS_LIST,), touches=(Subject.HAND_BACK,)),
        "drive": Deed(_computer_speed, (SPEED,)),
        "stop": Deed(_computer_stop),
        "turn": Deed(_computer_turn, (ANGLE, RATE)),
        "step": Deed(_computer_step, (ANGLE,)),
        "brake": Deed(_computer_brake, (EFFORT,)),
    },
}


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a script: at `t_ns`, `who` does `what`, for `for_ns` if that is not None."""

    t_ns: int
    who: str
    what: str
    values: SectionValues
    for_ns: int | None

    def plan(self, plan: Plan, t_ns: int) -> None:
        """Have it done at `t_ns`."""
        deed = DEEDS[self.who][self.what]
        order = (t_ns, self.who, self.what)

        def do(world: World) -> None:
            chronicle = world.chronicle
            for subject in deed.ends:
                chronicle.end(chronicle.about(t_ns, subject), t_ns)
            if deed.touches:
                place = chronicle.note(t_ns, Happened.ORDERED, self.who, reason=self.what, about=deed.touches)
                chronicle.orders[order] = place
            deed.do(world, self.values)

        def undo(world: World) -> None:
            world.chronicle.end(world.chronicle.orders.get(order), world.t_ns)
            if deed.undo is not None:
                deed.undo(world)

        plan.at(t_ns, do)
        if deed.undo is not None and self.for_ns is not None:
            plan.at(t_ns + self.for_ns, undo)


def script_line(node: Node, context: Context) -> Line | None:
    """Read one line of a script."""
    entries = mapping(node, context, "a line of the script")
    if entries is None:
        return None
    doers = [name for name in entries.pairs if name in DEEDS]
    if len(doers) != 1:
        context.faults.add(entries.place, f"A line of the script says who acts: one of {listed(DEEDS)}.")
        return None
    (who,) = doers
    deeds = DEEDS[who]
    stated = entries.pairs[who][1]
    if not isinstance(stated, Scalar) or stated.text not in deeds:
        text = shown(stated.text) if isinstance(stated, Scalar) else "this"
        hint = context.faults.hint(stated.text if isinstance(stated, Scalar) else "", deeds)
        context.faults.add(stated.place, f"The {who} has no command {text}{hint}")
        return None
    deed = deeds[stated.text]
    timed = (FOR,) if deed.undo is not None else ()
    before = len(context.faults)
    section = Section("a line of the script", (AT, Key(who, word("a command", deeds)), *timed, *deed.keys))
    values = section.values(entries, context)
    t_ns = values.get(AT)
    if len(context.faults) > before or t_ns is None:
        return None
    return Line(t_ns, who, stated.text, values, values.get(FOR))
