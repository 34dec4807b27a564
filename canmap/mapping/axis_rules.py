"""The axes of a spec: which record fields say what is asked of an actuator, and what it does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.manual import CommandedAxis
from canmap.mapping.reading.raw_codes import conditions
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import difference, fits, named, record_field, text, time_ns, yes_no
from canmap.vocabulary.units import find_unit

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context

REPORT = Key("report", record_field, required=True)
DEMAND = Key("demand", record_field, required=True)
TOLERANCE = Key("tolerance", difference)
WITHIN = Key("within", time_ns)
ECHO = Key("echo", yes_no)
WHEN = Key("when", conditions)
PAGE = Key("page", text)
AXIS = Section("an axis", (REPORT, DEMAND, TOLERANCE, WITHIN, ECHO, WHEN, PAGE))


def axis_rules(node: Node | None, context: Context) -> tuple[CommandedAxis, ...]:
    """Return the axes of a spec, of the section `axes`; None for none."""
    if node is None:
        return ()
    return tuple(entry.value for entry in named("the list of axes", _axis)(node, context) or ())


def _axis(node: Node, context: Context) -> CommandedAxis | None:
    values = AXIS(node, context)
    report, demand = (values.get(REPORT), values.get(DEMAND)) if values else (None, None)
    if values is None or report is None or demand is None:
        return None
    before = len(context.faults)
    for key, (record, field) in ((REPORT, report), (DEMAND, demand)):
        if field.kind is not float:
            context.faults.add(values.place_of(key), f"The field {record}.{field.name} is not a quantity.")
    if len(context.faults) == before and report[1].unit != demand[1].unit:
        units = f"in {report[1].unit}, but the demand in {demand[1].unit}"
        context.faults.add(values.place_of(DEMAND), f"The report is {units}; take fields of one unit.")
    tolerance, unit = values.get(TOLERANCE), find_unit(report[1].unit)
    if tolerance is not None and unit is not None:
        fits(tolerance, unit.dimension, values.place_of(TOLERANCE), context)
    return CommandedAxis(
        name=context.subject,
        report=(report[0], report[1].name),
        demand=(demand[0], demand[1].name),
        tolerance=tolerance.si if tolerance else None,
        within_ns=values.get(WITHIN) or 0,
        echo=bool(values.get(ECHO)),
        when=values.get(WHEN) or (),
        page=values.get(PAGE) or "",
    )
