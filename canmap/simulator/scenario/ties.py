"""Simulator: kinds of fault that no capture of a vehicle tells apart: ties by construction.

`TIES` lists them: kinds that give the same frames, some only where something holds for all of the tie (the
vehicle has one bus, it lasts to the end, no error frames are recorded), some only with certain parameters.
What a capture can hardly tell apart is no tie.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.scenario.bus_faults import DELAY, NODE
from canmap.simulator.scenario.cart_faults import SOURCE_OF
from canmap.simulator.scenario.demand_faults import DELAY as LATE_BY
from canmap.simulator.scenario.faults import BUS, SHARE, SUPPLY_DIP, named
from canmap.simulator.scenario.recorder_faults import BUFFER
from canmap.simulator.scenario.script import si
from canmap.simulator.scenario.supply_faults import UNPLUGGED
from canmap.simulator.scenario.value_faults import ONE

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.chronicle import Recorded
    from canmap.simulator.scenario.faults import TimeSpan


class InCommon(NamedTuple):
    """What faults that give the same frames have in common: their span and vehicle, and what was recorded."""

    span: TimeSpan
    recorded: Recorded


class Side(NamedTuple):
    """One kind of fault in a tie.

    Attributes:
        kind: Its name in `FAULT_KINDS`.
        where: All that has to hold, whichever fault of the tie it is.
        given: What else its own parameters have to be, by vehicle and span; None: anything.
    """

    kind: str
    where: tuple[Callable[[InCommon], bool], ...] = ()
    given: Callable[[SectionValues, TimeSpan], bool] | None = None

    def holds(self, common: InCommon) -> bool:
        """Return whether this kind, with some parameters, gives the frames of the tie."""
        return all(condition(common) for condition in self.where)


# --- what has to hold for all of a tie ---------------------------------------------------------------


def _to_the_end(common: InCommon) -> bool:
    return common.span.to_the_end


def _from_the_start(common: InCommon) -> bool:
    return common.span.start_ns <= common.recorded.first_ns


def _no_error_frames(common: InCommon) -> bool:
    return not common.recorded.error_frames


def _one_bus(common: InCommon) -> bool:
    return common.span.vehicle.chassis is None


def _heard_at_one_place(common: InCommon) -> bool:
    return not common.recorded.far


def _loop_untold(common: InCommon) -> bool:
    return "loop" not in common.span.vehicle.signals


def _rail_untold(common: InCommon) -> bool:
    return "rail" not in common.span.vehicle.signals


# --- what the parameters of one kind have to be ------------------------------------------------------


def _a_demand(values: SectionValues, span: TimeSpan) -> bool:
    return named(values).message.name in span.vehicle.demands


def _as_long_as_it_lasts(values: SectionValues, span: TimeSpan) -> bool:
    return (values.get(LATE_BY) or 0) >= span.stop_ns - span.start_ns


def _a_whole_demand(values: SectionValues, span: TimeSpan) -> bool:
    return values.get(ONE) is None and _a_demand(values, span)


def _one_demand(values: SectionValues, _: TimeSpan) -> bool:
    return values.get(SOURCE_OF) is not None


def _all_of_a_node(values: SectionValues, _: TimeSpan) -> bool:
    return values.get(NODE) is not None and si(values, SHARE) == 1


def _no_delay(values: SectionValues, _: TimeSpan) -> bool:
    return not values.get(DELAY)


def _no_dip(values: SectionValues, _: TimeSpan) -> bool:
    return values.get(SUPPLY_DIP) is None


def _of_the_kit(values: SectionValues, span: TimeSpan) -> bool:
    return values.get(UNPLUGGED) in span.vehicle.kit_nodes


def _no_buffer(values: SectionValues, _: TimeSpan) -> bool:
    return values.get(BUFFER) == 0


def _second_bus(values: SectionValues, span: TimeSpan) -> bool:
    return values.get(BUS) != span.vehicle.drive.name


TIES: tuple[tuple[Side, ...], ...] = (
    # The computer does not send a demand, or holds it back until the run is over, or sends its old values.
    (
        Side("message_stopped", given=_a_demand),
        Side("demand_absent"),
        Side("demand_late", (_to_the_end,), _as_long_as_it_lasts),
    ),
    (Side("frozen_value", given=_a_whole_demand), Side("stale_demand", given=_one_demand)),
    # A node comes back from bus-off as soon as it may, and its frames are damaged again.
    (Side("wiring", given=_all_of_a_node), Side("slow_recovery", given=_no_delay)),
    # A node is off and does not come back.
    (Side("node_restart", (_to_the_end,), _no_dip), Side("node_unplugged", (_to_the_end,), _of_the_kit)),
    # Nothing tells why the relay opened, nor where the supply has its resistance.
    tuple(Side(kind, (_loop_untold,)) for kind in ("loop_open", "stop_pressed", "supply_cut")),
    (Side("supply_sag", (_rail_untold,)),),
    # Nothing of any bus is in the capture.
    (
        Side("recorder_gap"),
        Side("host_stall", given=_no_buffer),
        Side("recorder_unplugged", (_one_bus,)),
        Side("capture_ends", (_to_the_end,)),
        Side("bus_shorted", (_one_bus, _to_the_end, _heard_at_one_place)),
        Side("bus_dominant", (_one_bus, _to_the_end, _heard_at_one_place, _no_error_frames)),
    ),
    # Nothing gets through on a bus; it begins with one error frame where the bus is held dominant, and ends
    # with what waited. Whether one more frame got through is a matter of when it began.
    (Side("bus_shorted"), Side("bus_dominant", (_to_the_end, _no_error_frames))),
    # Nothing of one bus is in the capture; nobody misses what is on the second one.
    (Side("recorder_unplugged"), Side("wrong_bit_rate", (_from_the_start, _to_the_end, _no_error_frames))),
    (
        Side("recorder_unplugged", given=_second_bus),
        Side("bus_shorted", given=_second_bus),
        Side("bus_dominant", (_to_the_end, _no_error_frames), _second_bus),
        Side("wrong_bit_rate", (_from_the_start, _to_the_end, _no_error_frames), _second_bus),
    ),
)


def tied_with(kind: str, values: SectionValues, common: InCommon) -> list[str]:
    """Return the kinds of fault that no capture tells from this one.

    Args:
        kind: Of the fault.
        values: Its parameters.
        common: When it was, and what was recorded.

    Returns:
        Each once, in the order of `TIES`; its own kind, where nothing tells the place of it.
    """
    tied: dict[str, None] = {}
    for tie in TIES:
        holding = [side for side in tie if side.holds(common)]
        own = next((side for side in holding if side.kind == kind), None)
        if own is None or (own.given is not None and not own.given(values, common.span)):
            continue
        others = [side.kind for side in holding if side is not own]
        tied |= dict.fromkeys(others if len(tie) > 1 else [kind])
    return list(tied)
