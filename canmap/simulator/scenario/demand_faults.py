"""Simulator: faults of the computer's demands: late, absent, or not as the kit takes them."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import listed
from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import time_ns, word
from canmap.simulator.cart.trouble import Late
from canmap.simulator.scenario.faults import MESSAGE, Effect, TimeSpan, at_sender, named
from canmap.simulator.scenario.refused_frames import MADE_WRONGLY, made_wrongly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.kit import AxisRule
    from canmap.simulator.cart.messages import Values
    from canmap.simulator.cart.trouble import Trouble
    from canmap.simulator.cart.vehicle_kind import VehicleKind

DELAY = Key("delay", time_ns, required=True)
REASONS = ("counter", "checksum", "level", "range", "jump", *MADE_WRONGLY)
BECAUSE = Key("because", word("a reason", REASONS), required=True)


def no_demand(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is no demand of the computer."""
    found = values.get(MESSAGE)
    if found is not None and found.message.name not in vehicle.demands:
        return f"{found.message.name} is not a demand; it is one of {', '.join(vehicle.demands)}."
    return None


def demand_late(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand leaves the computer late; it waits in a queue, which is emptied at the end.

    With a delay as long as the fault nothing of it comes before the end: as `bunched_demands` of one demand.
    """
    delay_ns = values.get(DELAY) or 0

    def change(trouble: Trouble, on: bool) -> None:
        if on:  # and after the end, until what was held back has gone
            trouble.late = Late(delay_ns, span.stop_ns)

    name = named(values).message.name
    return at_sender(values, span, f"The computer sends {name} {delay_ns / 1e6:g} ms late.", change)


def demand_absent(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand does not come."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.stopped = on

    cause = f"The computer does not send {named(values).message.name}."
    return at_sender(values, span, cause, change)


def demand_refused(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand comes on time, and the kit does not take it."""
    because = values.get(BECAUSE) or "level"
    if because in MADE_WRONGLY:
        return made_wrongly(values, span, because)
    rules = span.vehicle.machinery.rules
    asked = [rules[axis] for axis in span.vehicle.demands[named(values).message.name]]
    alter = partial(_out_of_range if because == "range" else _jumped, asked)

    def change(trouble: Trouble, on: bool) -> None:
        if because == "counter":
            trouble.stuck_counter = on
        elif because == "checksum":
            trouble.broken = 0x5A * on
        elif because == "level":
            trouble.enable = True if on else None
        elif on:
            trouble.changes.append(alter)
        else:
            trouble.changes.remove(alter)

    what = {
        "counter": "its counter does not change",
        "checksum": "its checksum is wrong",
        "level": "its enable bit is set all the time, without an edge",
        "range": "its value is out of range",
        "jump": "its value jumps further than the kit allows",
    }[because]
    name = named(values).message.name
    return at_sender(values, span, f"The kit rejects {name}: {what}.", change)


def _out_of_range(asked: list[AxisRule], told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
    """Ask for a tenth more than the kit takes."""
    for rule in asked:
        told[rule.signal] = 1.1 * rule.high


def _jumped(asked: list[AxisRule], told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
    """Ask for a value far on the other side."""
    for rule in asked:
        value, far = np.asarray(told[rule.signal], np.float64), 1.1 * rule.jump
        told[rule.signal] = value - np.where(value < 0, -far, far)


def no_refusal(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is no demand, or its value may jump."""
    found, complaint = values.get(MESSAGE), no_demand(values, vehicle)
    if found is None or complaint is not None or values.get(BECAUSE) != "jump":
        return complaint
    rules = vehicle.machinery.rules
    bounded = [name for name, axes in vehicle.demands.items() if all(rules[a].jump < math.inf for a in axes)]
    if found.message.name in bounded:
        return None
    return f"Only {listed(bounded)} is refused for a jump." if bounded else "No demand is refused for a jump."
