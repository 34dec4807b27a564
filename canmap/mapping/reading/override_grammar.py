"""The grammar of the driver's override."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from canmap.mapping.override_rules import OverrideRule
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.raw_codes import conditions
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import (
    any_quantity,
    as_it_is,
    fits,
    named,
    one_or_list,
    placed_text,
    signal,
    text,
    time_ns,
    yes_no,
)
from canmap.vocabulary.units import find_unit

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node, Scalar
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.vocabulary.units import Measure

LEFT: Key[Measure] = Key("left", any_quantity, required=True)
RIGHT: Key[Measure] = Key("right", any_quantity, required=True)
THRESHOLD = Section("a threshold", (LEFT, RIGHT))

_SIGNAL = Key("signal", signal, required=True)
_THRESHOLD: Key[Node] = Key("threshold", as_it_is, required=True)
_TOLERANCE = Key("tolerance", any_quantity)
_LONGER_THAN, _WITHIN = Key("longer_than", time_ns), Key("within", time_ns)
_LATCHED, _RESET, _RESET_WHEN = Key("latched", yes_no), Key("reset", text), Key("reset_when", conditions)
_CORROBORATED_BY = Key("corroborated_by", conditions)
MACHINES: Key[tuple[Scalar, ...]] = Key("state_machines", one_or_list(placed_text, "state machines"))
_PAGE = Key("page", text)
OVERRIDE = Section(
    "an override",
    (
        _SIGNAL,
        _THRESHOLD,
        _TOLERANCE,
        _LONGER_THAN,
        _WITHIN,
        _LATCHED,
        _RESET,
        _RESET_WHEN,
        _CORROBORATED_BY,
        MACHINES,
        _PAGE,
    ),
)


def _override(node: Node, context: Context) -> tuple[OverrideRule, SectionValues] | None:
    """Read what counts as the driver's override; the names of its state machines are checked later."""
    values = OVERRIDE(node, context)
    found, written = (values.get(_SIGNAL), values.get(_THRESHOLD)) if values else (None, None)
    if values is None or found is None or written is None:
        return None
    sides = _sides(written, found, context)
    tolerance = values.get(_TOLERANCE)
    margin = _plain(tolerance, found, values.nodes["tolerance"][1], context) if tolerance else None
    if sides is None or (tolerance and margin is None):
        return None
    rule = OverrideRule(
        name=context.subject,
        signal=found.ref,
        left=sides[0],
        right=sides[1],
        by_side=isinstance(written, Entries),
        tolerance=abs(found.signal.factor) if margin is None else margin,
        longer_than_ns=values.get(_LONGER_THAN),
        within_ns=values.get(_WITHIN) or 0,
        latched=bool(values.get(_LATCHED)),
        reset=values.get(_RESET) or "",
        reset_when=values.get(_RESET_WHEN) or (),
        corroborated_by=values.get(_CORROBORATED_BY) or (),
        page=values.get(_PAGE) or "",
    )
    return rule, values


OVERRIDES = named("the list of overrides", _override)


def _sides(node: Node, found: FoundSignal, context: Context) -> tuple[Fraction, Fraction] | None:
    """Read one threshold for both sides, or one for each, in the unit of the signal."""
    if not isinstance(node, Entries):
        value = any_quantity(node, context)
        one = _plain(value, found, node, context) if value else None
        return None if one is None else (one, one)
    values = THRESHOLD(node, context)
    read = []
    for key in (LEFT, RIGHT):
        value = values.get(key) if values else None
        if values is None or value is None:
            return None
        read.append(_plain(value, found, values.nodes[key.name][1], context))
    left, right = read
    return None if left is None or right is None else (left, right)


def _plain(value: Measure, found: FoundSignal, node: Node, context: Context) -> Fraction | None:
    """Return a quantity greater than zero in the unit of a signal; None where it cannot be that."""
    unit = find_unit(found.signal.unit)
    if unit is not None and not fits(value, unit.dimension, node.place, context):
        return None
    plain = value.value if unit is None else (value.si - unit.offset) / unit.factor
    if plain <= 0:
        context.faults.add(node.place, "The value must be greater than zero.")
        return None
    return Fraction(plain)
