"""The nodes of a spec: what a manual says of the supply and the starts of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.promises import node_that_sends
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import difference, each, fits, message, placed_text, signal, text, time_ns
from canmap.mapping.supplied_nodes import NodeRule
from canmap.vocabulary.units import UNITS, find_unit

if TYPE_CHECKING:
    from fractions import Fraction

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues

MOST_BITS = 32  # of what counts starts or time

AXIS = Key("axis", placed_text)
SUPPLY = Key("supply", signal)
LOWEST_SUPPLY = Key("lowest_supply", difference)
RESTART_COUNT = Key("restart_count", signal)
UPTIME = Key("uptime", signal)
BOOT = Key("boot", message)
START_TIME = Key("start_time", time_ns)
HOLD_UP = Key("hold_up", time_ns)
PAGE = Key("page", text)
NODE = Section(
    "a node",
    (AXIS, SUPPLY, LOWEST_SUPPLY, RESTART_COUNT, UPTIME, BOOT, START_TIME, HOLD_UP, PAGE),
)


def node_rules(node: Node | None, axes: Node | None, context: Context) -> tuple[NodeRule, ...]:
    """Return the nodes of a spec, of the section `nodes`; None for none.

    Args:
        node: The section.
        axes: The section `axes`, as it is written; None for none.
        context: Of the spec.
    """
    if node is None:
        return ()
    names = list(axes.pairs) if isinstance(axes, Entries) else []

    def read(name: str, value: Node, context: Context) -> NodeRule | None:
        values = NODE(value, context)
        return None if values is None else _rule(name, values, names, context)

    found = each("the list of nodes", node_that_sends, read)(node, context)
    return tuple(entry.value for entry in found or ())


def _rule(name: str, values: SectionValues, axes: list[str], context: Context) -> NodeRule:
    axis, boot = values.get(AXIS), values.get(BOOT)
    if axis is not None and axis.text not in axes:
        hint = context.faults.hint(axis.text, axes)
        context.faults.add(axis.place, f"There is no axis {shown(axis.text)}{hint}")
    is_known = name in context.names.nodes  # else that is the mistake
    if boot is not None and is_known and boot.message.sender not in {None, name}:
        text_ = f"{boot.message.name} is sent by {boot.message.sender}, not by {shown(name)}."
        context.faults.add(values.place_of(BOOT), text_)
    supply, uptime, count = values.get(SUPPLY), values.get(UPTIME), values.get(RESTART_COUNT)
    counted = _is_count(count, RESTART_COUNT, values, context)
    return NodeRule(
        name=name,
        axis=axis.text if axis else "",
        supply=supply.ref if supply else None,
        lowest_supply=_lowest(supply, values, context),
        restart_count=count.ref if count and counted else None,
        uptime=uptime.ref if uptime else None,
        uptime_step_ns=_step_ns(uptime, values, context),
        boot=boot.ref if boot else None,
        start_time_ns=values.get(START_TIME),
        hold_up_ns=values.get(HOLD_UP) or 0,
        page=values.get(PAGE) or "",
    )


def _is_count(
    found: FoundSignal | None, key: Key[FoundSignal], values: SectionValues, context: Context
) -> bool:
    """Tell whether a signal can count, and report where it cannot."""
    if found is None:
        return False
    signal_ = found.signal
    if not (signal_.signed or signal_.is_float or signal_.bits > MOST_BITS):
        return True
    what = f"a whole number of up to {MOST_BITS} bits without sign"
    context.faults.add(values.place_of(key), f"`{key.name}` must be {what}, and {found.text} is not.")
    return False


def _lowest(supply: FoundSignal | None, values: SectionValues, context: Context) -> Fraction | None:
    """Return the lowest supply in the unit of its signal."""
    lowest = values.get(LOWEST_SUPPLY)
    if lowest is None:
        return None
    if supply is None:
        if not values.has(SUPPLY) and not values.lost:
            text_ = "`lowest_supply` needs the key `supply` beside it."
            context.faults.add(values.place_of(LOWEST_SUPPLY), text_)
        return None
    unit = find_unit(supply.signal.unit)
    if unit is None:
        text_ = f"The description gives {supply.text} no unit that is known: correct its `unit`."
        context.faults.add(values.place_of(SUPPLY), text_)
        return None
    if not fits(lowest, unit.dimension, values.place_of(LOWEST_SUPPLY), context):
        return None
    return lowest.si / unit.factor


def _step_ns(uptime: FoundSignal | None, values: SectionValues, context: Context) -> Fraction | None:
    """Return what one raw count of the uptime is, in ns."""
    if uptime is None or not _is_count(uptime, UPTIME, values, context):
        return None
    unit = find_unit(uptime.signal.unit)
    if unit is None or unit.dimension != UNITS["s"].dimension:
        text_ = f"The description gives {uptime.text} no unit of time: correct its `unit`."
        context.faults.add(values.place_of(UPTIME), text_)
        return None
    return abs(uptime.signal.factor) * unit.factor * 10**9
