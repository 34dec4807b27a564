"""Simulator: faults of the computer's demands: late, absent, or not as the kit takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import time_ns, word
from canmap.simulator.cart.kit import BRAKE, DRIVE, STEERING
from canmap.simulator.scenario.faults import MESSAGE, Effect, TimeSpan, at_sender, named

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.messages import Values
    from canmap.simulator.cart.nodes import Trouble
    from canmap.simulator.cart.vehicle_kind import VehicleKind

DELAY = Key("delay", time_ns, required=True)
BECAUSE = Key("because", word("a reason", ("counter", "checksum", "level", "range", "jump")), required=True)
LARGEST = {"Angle": STEERING.high, "Throttle": DRIVE.high, "Effort": BRAKE.high}  # as the kit takes them
JUMP_DEG = 1.1 * STEERING.jump


def no_demand(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is no demand of the computer."""
    found = values.get(MESSAGE)
    if found is not None and found.message.name not in vehicle.demands:
        return f"{found.message.name} is not a demand; it is one of {', '.join(vehicle.demands)}."
    return None


def demand_late(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand leaves the computer late."""
    delay_ns = values.get(DELAY) or 0

    def change(trouble: Trouble, on: bool) -> None:
        trouble.delay_ns = delay_ns * on

    name = named(values).message.name
    return at_sender(values, span, f"The computer sends {name} {delay_ns / 1e6:g} ms late.", change)


def demand_absent(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand does not come."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.stopped = on

    cause = f"The computer does not send {named(values).message.name}."
    return at_sender(values, span, cause, change, ("message_stopped",))


def demand_refused(values: SectionValues, span: TimeSpan) -> Effect:
    """A demand comes on time, and the kit does not take it."""
    because = values.get(BECAUSE)
    alter = _out_of_range if because == "range" else _jumped

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
    }[because or "level"]
    name = named(values).message.name
    return at_sender(values, span, f"The kit rejects {name}: {what}.", change)


def _out_of_range(told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
    """Ask for a tenth more than the kit takes."""
    for name, largest in LARGEST.items():
        if name in told:
            told[name] = 1.1 * largest


def _jumped(told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
    """Ask for a steering angle far on the other side."""
    angle = np.asarray(told["Angle"], np.float64)
    told["Angle"] = angle - np.where(angle < 0, -JUMP_DEG, JUMP_DEG)


def no_refusal(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is no demand, or its value may jump."""
    found = values.get(MESSAGE)
    if found is not None and found.message.name != "SteerCommand" and values.get(BECAUSE) == "jump":
        return "Only SteerCommand is refused for a jump."
    return no_demand(values, vehicle)
