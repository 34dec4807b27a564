"""Simulator: demands that the kit rejects frame by frame, as their counter or checksum is made wrongly.

A counter that leaves out values is what a sender has that counts what it meant to send; a checksum of the
frame before is what it has that works out the checksum first and writes the counter then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.payload.counters import RollingCounter
from canmap.simulator.cart.kit import LARGEST_COUNTER_STEP
from canmap.simulator.cart.payloads import Layout
from canmap.simulator.scenario.faults import Effect, TimeSpan, named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from canmap.mapping.reading.sections import SectionValues
    from canmap.payload.packing import Column
    from canmap.simulator.cart.world import Plan, World


class SkippingCounter(RollingCounter):
    """A counter that goes on by one more than the kit takes."""

    __slots__ = ()

    def of_frames(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what frames with these numbers carry."""
        return super().of_frames((LARGEST_COUNTER_STEP + 1) * numbers)


class EarlyChecksum(Layout):
    """A layout whose checksum is worked out before the counter is written: it is right for the last one."""

    def pack(
        self, values: Mapping[str, Column], counts: NDArray[np.int64], broken: int = 0
    ) -> NDArray[np.uint8]:
        """Return the payloads of frames; see `Layout.pack`."""
        payload, place = super().pack(values, counts, broken), self._checksum_byte
        payload[:, place] = super().pack(values, counts - 1, broken)[:, place]
        return payload

    def pack_one(self, values: Mapping[str, float], count: int, broken: int = 0) -> bytes:
        """Return the payload of one frame."""
        payload, place = super().pack_one(values, count, broken), self._checksum_byte
        early = super().pack_one(values, count - 1, broken)
        return payload[:place] + early[place : place + 1] + payload[place + 1 :]


def _skipping(layout: Layout) -> Layout:
    usual = layout.guard.counter
    counter = SkippingCounter(usual.values, usual.first, usual.step, usual.left_out)
    return Layout(layout.message, layout.data_id, layout.guard._replace(counter=counter))


def _early(layout: Layout) -> Layout:
    return EarlyChecksum(layout.message, layout.data_id, layout.guard)


# Why the kit rejects it: how its frames are made, and what is said of that.
MADE_WRONGLY: Mapping[str, tuple[Callable[[Layout], Layout], str]] = {
    "step": (_skipping, "its counter leaves out values"),
    "order": (_early, "its checksum is worked out before its counter is written"),
}


def made_wrongly(values: SectionValues, span: TimeSpan, because: str) -> Effect:
    """A demand comes on time, with a counter or a checksum that is made wrongly."""
    found = named(values)
    name, (change, what) = found.message.name, MADE_WRONGLY[because]
    usual: list[Layout] = []

    def begin(world: World) -> None:
        usual.append(world.senders[name].layout)
        world.senders[name].layout = change(usual[-1])

    def end(world: World) -> None:
        world.senders[name].layout = usual[-1]

    def prepare(plan: Plan) -> None:
        plan.live |= span.vehicle.heard(name)

    cause = f"The kit rejects {name}: {what}."
    return Effect(cause, found.bus, found.message.sender, name, begin=begin, end=end, prepare=prepare)
