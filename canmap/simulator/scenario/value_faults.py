"""Simulator: faults of what a message says, while it comes on time: values, whole frames, sensors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, cast

import numpy as np

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import number, quantity, signal, word
from canmap.payload.packing import limits
from canmap.simulator.cart.fleet import vehicle_with
from canmap.simulator.cart.messages import KMH
from canmap.simulator.cart.payloads import PROFILE1
from canmap.simulator.noise import even
from canmap.simulator.scenario.faults import (
    MESSAGE,
    SHARE,
    Effect,
    TimeSpan,
    at_sender,
    frozen_value,
    named,
    not_sent,
)
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.simulator.cart.messages import Values
    from canmap.simulator.cart.trouble import Trouble, ValueChange
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan, World


def _wheel(node: Node, context: Context) -> str | None:
    return word("a wheel speed", vehicle_with(context.names.nodes).wheels.signals)(node, context)


CONTACT_FRAMES = 2  # that an open contact lasts

SIGNAL = Key("signal", signal, required=True)
ONE = Key("signal", signal)
FACTOR = Key("factor", number, required=True)
RAIL = Key("rail", word("an end of the signal", ("low", "high")))
WHEEL = Key("wheel", _wheel, required=True)
BELOW = Key("below", quantity("m/s", positive=True))


def stuck_frame(values: SectionValues, span: TimeSpan) -> Effect:
    """A node sends the same frame at full rate, its counter too."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.stuck = on

    found = named(values).message
    return at_sender(values, span, f"{found.sender} sends the same {found.name} again and again.", change)


def repeated_frames(values: SectionValues, span: TimeSpan) -> Effect:
    """A node sends each frame twice."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.twice = on

    found = named(values).message
    effect = at_sender(values, span, f"{found.sender} sends each {found.name} twice.", change)
    return replace(effect, prepare=_live)  # the second may come after a release that is already settled


def _live(plan: Plan) -> None:
    plan.live = True


def _changed(found: FoundSignal, span: TimeSpan, cause: str, change: ValueChange) -> Effect:
    """Make the effect of something that changes what a message says."""
    name = found.message.name

    def begin(world: World) -> None:
        world.senders[name].trouble.changes.append(change)

    def end(world: World) -> None:
        world.senders[name].trouble.changes.remove(change)

    def prepare(plan: Plan) -> None:
        plan.live |= span.vehicle.heard(name)

    return Effect(
        cause,
        found.bus,
        found.message.sender,
        name,
        found.text,
        begin=begin,
        end=end,
        prepare=prepare,
    )


def frozen(values: SectionValues, span: TimeSpan) -> Effect:
    """A message comes on time with old values, or with one old value while its others go on."""
    found = cast("FoundSignal | None", values.get(ONE))
    if found is None:
        return frozen_value(values, span)
    name, held = found.signal.name, list[float]()

    def change(told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
        if not held:
            held.append(float(np.ravel(told[name])[0]))
        told[name] = held[0]

    cause = f"{found.message.sender} sends an old value as {found.text}; what else it tells goes on."
    return _changed(found, span, cause, change)


def not_frozen(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the signal is none of the message's, or is made for each frame."""
    found, stated = values.get(MESSAGE), values.get(ONE)
    if found is not None and stated is not None and stated.message.name != found.message.name:
        return f"{stated.text} is no signal of {found.message.name}."
    if stated is not None and (complaint := not_changed_at_sender(stated, vehicle)) is not None:
        return complaint
    return not_sent(values, vehicle)


def scale_changed(values: SectionValues, span: TimeSpan) -> Effect:
    """From some moment on the kit sends a signal in another scale."""
    found, factor = cast("FoundSignal", values.get(SIGNAL)), float(values.get(FACTOR) or 1)
    name = found.signal.name

    def change(told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
        told[name] = np.asarray(told.get(name, 0.0), np.float64) / factor

    return _changed(
        found, span, f"{found.text}: the kit's scale became {factor:g} times what it was.", change
    )


def sensor_contact(values: SectionValues, span: TimeSpan) -> Effect:
    """The contact of a sensor opens, and again now and then: what it tells jumps to its end and back."""
    found, share, high = cast("FoundSignal", values.get(SIGNAL)), si(values, SHARE), values.get(RAIL) != "low"
    name, end, first = found.signal.name, _end(found.signal, high), list[int]()

    def change(told: Values, numbers: NDArray[np.int64], seed: int) -> None:
        if not first:
            first.append(int(numbers[0]))
        begins = (numbers >= first[0]) & (numbers < first[0] + CONTACT_FRAMES)  # it opens with the fault
        is_open = begins | (even(seed, f"contact {name}", numbers // CONTACT_FRAMES) < share)
        told[name] = np.where(is_open, end, told.get(name, 0.0))

    cause = f"The contact of the sensor of {found.text} is open now and then, {100 * share:g} % of the time."
    return _changed(found, span, cause, change)


def _end(described: DescribedSignal, high: bool) -> float:
    """Return the value at an end of what the bits of a signal hold."""
    least, most = limits(described)
    return float((most if high else least) * described.factor + described.offset)


def wheel_dropout(values: SectionValues, span: TimeSpan) -> Effect:
    """A wheel sensor tells nothing below some speed."""
    wheel, stated, wheels = str(values.get(WHEEL)), values.get(BELOW), span.vehicle.wheels
    below_kmh = 2.0 if stated is None else KMH * float(stated.si)
    below = below_kmh / KMH * wheels.unit

    def change(told: Values, _numbers: NDArray[np.int64], _seed: int) -> None:
        speed = np.asarray(told[wheel], np.float64)
        told[wheel] = np.where(np.abs(speed) < below, 0.0, speed)

    def begin(world: World) -> None:
        world.senders[wheels.message].trouble.changes.append(change)

    def end(world: World) -> None:
        world.senders[wheels.message].trouble.changes.remove(change)

    cause = f"The sensor of the wheel {wheel} tells nothing below {below_kmh:g} km/h."
    where = ("drive", wheels.node, wheels.message, f"{wheels.message}.{wheel}")
    return Effect(cause, *where, begin=begin, end=end)


def not_changed(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where a signal cannot be changed at its sender, or the share or factor makes no sense."""
    found, share = values.get(SIGNAL), values.get(SHARE)
    if found is not None and (complaint := not_changed_at_sender(found, vehicle)) is not None:
        return complaint
    if share is not None and share.si > 1:
        return "A share is at most 100 %."
    return "The factor must not be zero." if values.get(FACTOR) == 0 else None


def not_changed_at_sender(found: FoundSignal, vehicle: VehicleKind) -> str | None:
    """Say so where a signal is not one whose value its sender sends at its own intervals."""
    if found.message.name == vehicle.copy or found.message.period_ns is None:
        return f"{found.message.name} is not a cyclic message that its own node sends."
    guard = vehicle.guards.get(found.message.name, PROFILE1)
    if found.signal.name in {guard.counted_in, guard.checked_in}:
        return f"{found.text} is made for each frame: take another fault."
    return None
