"""Simulator: faults of the recorder: what it loses, when it stamps, and how it is set up wrongly.

The vehicle notices nothing of them. A recorder that stops and a host that stalls without a buffer are the
same in a capture; so are a filter that holds a message back and a sender that never sends it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import integer, quantity
from canmap.simulator.buses.bursts import USUAL_BURST_EVERY_NS
from canmap.simulator.buses.loose_plug import LoosePlug
from canmap.simulator.buses.recorder import ClockStep, Loss, Overload, Stall
from canmap.simulator.recorders import NEVER_NS
from canmap.simulator.scenario.faults import BUS, EVERY, SHARE, Effect, TimeSpan, named
from canmap.simulator.scenario.recorder_keys import DRIFT, OFFSET
from canmap.simulator.scenario.script import FOR, si

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan

USUAL_BUFFER = 32  # frames

BUFFER = Key("buffer", integer(0, 100_000))
STEP = Key("step", quantity("s"), required=True)
RATE = Key("rate", quantity("Hz", positive=True), required=True)


def recorder_loss(values: SectionValues, span: TimeSpan) -> Effect:
    """The recorder loses frames that were on the bus."""
    share = si(values, SHARE)

    def prepare(plan: Plan) -> None:
        plan.recorder.append(Loss(span.start_ns, span.stop_ns, share))

    return Effect(f"The recorder loses {100 * share:g} % of all frames.", None, prepare=prepare)


def recorder_overload(values: SectionValues, span: TimeSpan) -> Effect:
    """The recorder takes so many frames per second of a bus; beyond that it loses some, of all senders."""
    rate, buffer = round(si(values, RATE)), values.get(BUFFER)

    def prepare(plan: Plan) -> None:
        room = USUAL_BUFFER if buffer is None else buffer
        plan.recorder.append(Overload(span.start_ns, span.stop_ns, max(1, rate), room))

    cause = f"The recorder takes no more than {rate} frames per second of a bus, and loses the rest."
    return Effect(cause, None, prepare=prepare)


def recorder_gap(_: SectionValues, span: TimeSpan) -> Effect:
    """The recorder stops for a while."""

    def prepare(plan: Plan) -> None:
        plan.recorder.append(Loss(span.start_ns, span.stop_ns, 1.0))

    return Effect("The recorder did not record.", None, prepare=prepare)


def recorder_unplugged(values: SectionValues, span: TimeSpan) -> Effect:
    """The recorder has no contact with one bus; the vehicle and the other bus go on.

    Only what follows tells it from a shorted bus of the kit; nobody notices that the chassis bus is shorted.
    Where there is one bus only, nothing tells it from a recorder that stopped.
    """
    bus = str(values.get(BUS))

    def prepare(plan: Plan) -> None:
        plan.recorder.append(Loss(span.start_ns, span.stop_ns, 1.0, bus))

    cause = f"The recorder was unplugged from the bus {bus}."
    return Effect(cause, bus, prepare=prepare)


def recorder_loose_plug(values: SectionValues, span: TimeSpan) -> Effect:
    """The recorder's own plug on a bus loses contact for 1 to 200 ms at a time, twice at least.

    It misses whatever comes meanwhile, of all nodes at once; counters tell that it was on the bus. A frame of
    which it gets a part is an error frame to it.
    """
    bus, longest_ns = str(values.get(BUS)), max(1, (span.stop_ns - span.start_ns) // 2)
    every_ns = min(values.get(EVERY) or USUAL_BURST_EVERY_NS, longest_ns)

    def prepare(plan: Plan) -> None:
        plan.recording.loose.append(LoosePlug(bus, span.start_ns, span.stop_ns, every_ns))

    return Effect(f"The recorder's own plug on the bus {bus} makes bad contact.", bus, prepare=prepare)


def capture_ends(_: SectionValues, span: TimeSpan) -> Effect:
    """The capture ends while the vehicle still drives; a `.log` in the middle of a line."""

    def prepare(plan: Plan) -> None:
        plan.recorder.append(Loss(span.start_ns, NEVER_NS, 1.0))
        plan.recording.cut_short = True

    cause = "The recorder was switched off, or its disk was full: the capture ends."
    return Effect(cause, None, prepare=prepare)


def goes_on(values: SectionValues, _: VehicleKind) -> str | None:
    """Say so where the end of a capture is to have an end."""
    return "A capture that has ended does not go on: leave out `for`." if values.get(FOR) else None


def host_stall(values: SectionValues, span: TimeSpan) -> Effect:
    """The computer that records does not fetch frames for a while, and then all at once."""
    buffer = values.get(BUFFER)

    def prepare(plan: Plan) -> None:
        plan.recorder.append(Stall(span.start_ns, span.stop_ns, buffer))
        plan.cuts.append(span.stop_ns)

    cause = "The recording computer stalled; its frames came in a burst afterwards."
    return Effect(cause, None, prepare=prepare)


def clock_step(values: SectionValues, span: TimeSpan) -> Effect:
    """The recorder's clock is set."""
    step_ns = round(si(values, STEP) * 1e9)

    def prepare(plan: Plan) -> None:
        plan.recorder.append(ClockStep(span.start_ns, step_ns))
        plan.cuts.append(span.start_ns)

    return Effect(f"The recorder's clock was set by {step_ns / 1e9:+g} s.", None, prepare=prepare)


def clocks_apart(values: SectionValues, _: TimeSpan) -> Effect:
    """The second bus has a recorder of its own, whose clock is not that of the first."""
    offset, drift = values.get(OFFSET), values.get(DRIFT)
    offset_ns = round(float(offset.si) * 1e9) if offset else 0
    drift_ppb = round(float(drift.si) * 1e9) if drift else 0

    def prepare(plan: Plan) -> None:
        plan.recording.offset_ns, plan.recording.drift_ppb = offset_ns, drift_ppb

    gains = f" and gains {drift_ppb / 1e3:g} us each second" if drift_ppb else ""
    cause = f"The clock of the chassis bus's recorder is {offset_ns / 1e6:+g} ms off{gains}."
    return Effect(cause, "chassis", prepare=prepare)


def channels_swapped(_values: SectionValues, _span: TimeSpan) -> Effect:
    """The two buses are plugged into each other's channel, or the adapters were numbered the other way round.

    Each channel still has the bit rate of its bus; where it has not, see `wrong_bit_rate`.
    """

    def prepare(plan: Plan) -> None:
        plan.recording.swapped = True

    return Effect("The two channels of the recorder are swapped.", None, prepare=prepare)


def wrong_bit_rate(values: SectionValues, _: TimeSpan) -> Effect:
    """The recorder is set to a wrong bit rate: an error frame for each frame of the bus, and nothing else.

    It only listens, so that the bus takes no harm. If it does not report error frames, no capture tells this
    from a recorder that was never plugged in there.
    """
    bus = str(values.get(BUS))

    def prepare(plan: Plan) -> None:
        plan.recording.misread.add(bus)

    return Effect(f"The recorder is set to a wrong bit rate on the bus {bus}.", bus, prepare=prepare)


def recorder_filter(values: SectionValues, _: TimeSpan) -> Effect:
    """The recorder's filter holds a message back, from the start.

    Only a copy of it, or who acts on it, tells this from a sender that never sends the message.
    """
    found = named(values)

    def prepare(plan: Plan) -> None:
        plan.recording.left_out.add(found.message.can_id)

    cause = f"The recorder's filter holds back {found.message.name}, which was on the bus."
    return Effect(cause, found.bus, message=found.message.name, prepare=prepare)


def one_bus(_: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where a vehicle has no second bus."""
    return None if vehicle.chassis else f"The {vehicle.name} has one bus only."
