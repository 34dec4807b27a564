"""The axes of a spec: which record fields say what is asked of an actuator, and what it does."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.mapping.manual import AxisRule
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import any_quantity, fits, named, record_field, time_ns, yes_no
from canmap.vocabulary.units import find_unit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.mapping.model import RecordRule
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context

REPORT = Key("report", record_field, required=True)
DEMAND = Key("demand", record_field, required=True)
TOLERANCE = Key("tolerance", any_quantity)
WITHIN = Key("within", time_ns)
ECHO = Key("echo", yes_no)
AXIS = Section("an axis", (REPORT, DEMAND, TOLERANCE, WITHIN, ECHO))


def axis_rules(node: Node | None, records: Iterable[RecordRule], context: Context) -> tuple[AxisRule, ...]:
    """Return the axes of a spec, of the section `axes`; None for none."""
    if node is None:
        return ()
    known = {rule.name: rule for rule in records}
    context = replace(context, records={name: rule.type for name, rule in known.items()})

    def axis(node: Node, context: Context) -> AxisRule | None:
        return _axis(node, known, context)

    return tuple(entry.value for entry in named("the list of axes", axis)(node, context) or ())


def _axis(node: Node, records: dict[str, RecordRule], context: Context) -> AxisRule | None:
    values = AXIS(node, context)
    report, demand = (values.get(REPORT), values.get(DEMAND)) if values else (None, None)
    if values is None or report is None or demand is None:
        return None
    for key, (record, field) in ((REPORT, report), (DEMAND, demand)):
        mapped = {one.type.name for one in records[record].fields}
        if not records[record].derived and field.name not in mapped:
            context.faults.add(values.place_of(key), f"The record {record} does not map {field.name}.")
        elif field.kind is not float:
            context.faults.add(values.place_of(key), f"The field {record}.{field.name} is not a quantity.")
    if report[1].unit != demand[1].unit:
        text = (
            f"The report is in {report[1].unit}, but the demand in {demand[1].unit}; take fields of one unit."
        )
        context.faults.add(values.place_of(DEMAND), text)
    tolerance, unit = values.get(TOLERANCE), find_unit(report[1].unit)
    if tolerance is not None and unit is not None:
        fits(tolerance, unit.dimension, values.place_of(TOLERANCE), context)
    return AxisRule(
        name=context.subject,
        report=(report[0], report[1].name),
        demand=(demand[0], demand[1].name),
        tolerance=tolerance.si if tolerance else None,
        within_ns=values.get(WITHIN) or 0,
        echo=bool(values.get(ECHO)),
    )
