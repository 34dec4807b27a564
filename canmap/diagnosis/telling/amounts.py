"""The figures that evidence tells, with their units: as they were found, or as people are shown them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.base.words import number, seconds
from canmap.diagnosis.facts.evidence import Atom
from canmap.findings.incident_words import messages
from canmap.findings.kinds import MISSING
from canmap.vocabulary.units import find_unit

if TYPE_CHECKING:
    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.findings.finding import Finding
    from canmap.results.shown import Shown

UNIT_OF = {  # of what is neither a field's nor a signal's
    (Atom.REACH, ""): "s",
    (Atom.DEMAND, "missing"): "s",
    (Atom.DEMAND, "missing_long"): "s",
    (Atom.SUPPLY, ""): "V",
    (Atom.BUS, "full"): "%",
    (Atom.BUS, "free"): "%",
    (Atom.STRANGERS, ""): "1/s",
    (Atom.RECORDER, ""): "s",
    (Atom.PHYSICS, "yaw_shifted"): "rad/s",
    (Atom.PHYSICS, "yaw_other_before"): "rad/s",
    (Atom.PHYSICS, "yaw_agrees"): "rad/s",
}
FINDINGS_OF = {  # kinds of the finding by the value of the evidence
    "out_of_range": ("out_of_range",),
    "apart": ("disagree", "railed"),
    "frozen": ("frozen",),
    "jumped": ("slew",),
    "jump_refused": ("slew",),
    "at_its_end": ("out_of_range",),
    "not_followed": ("tracking",),
    "copy_late": ("relay",),
    "copy_off": ("relay",),
    "pace_otherwise": ("rate",),
    "value_otherwise": ("out_of_range", "checksum", "counter"),
    "message_never_there": ("missing",),
    "bus_never_there": ("missing",),
    "others_came": ("missing",),
    "swapped": ("missing",),
}
LASTING = ("frozen", "railed", "relay", "rate", "missing")  # findings whose figure is a time
PEOPLES = {"rad/s": "deg/s"}  # for what no manual gives a unit
DIGITS = 3  # significant ones that a sentence tells


class Amount(NamedTuple):
    """A figure with its unit.

    Attributes:
        value: In that unit.
        unit: Its name, "" for a plain count.
    """

    value: float
    unit: str


def amount_of(one: Evidence, case: CaseFile) -> Amount | None:
    """Return the figure of a piece of evidence, in SI where a record maps it; None where it has none."""
    if one.amount is None:
        return None
    unit = UNIT_OF.get((one.atom, one.value)) or UNIT_OF.get((one.atom, ""))
    if unit is not None:
        return Amount(one.amount, unit)
    finding = finding_of(one, case)
    if finding is not None:
        return Amount(one.amount, _unit_of_finding(finding, case))
    name = _unit_of_signal(one.subject, case)
    field, unit_of_signal = _field_of_signal(one.subject, case), find_unit(name)
    if field is None or unit_of_signal is None:
        return Amount(one.amount, name)
    return Amount(float(one.amount * unit_of_signal.factor + unit_of_signal.offset), field.type.unit)


def shown_amount(one: Evidence, case: CaseFile, *, si: bool = False) -> str:
    """Return the same as people are shown it: in the unit of the manual, or in SI; "" where it has none."""
    amount = amount_of(one, case)
    if amount is None:
        return ""
    value, name = amount
    if name == "s":
        return seconds(abs(round(value, 3)) * 1e9)  # what steps back is said to
    field = _field_of_signal(one.subject, case)
    shown = find_unit(PEOPLES.get(name, "")) if field is None else field.unit
    if shown is not None and not si:
        value, name = shown.of_si(value), shown.name
    return f"{number(float(f'{value:.{DIGITS}g}'))} {'' if name == '1' else name}".rstrip()


def finding_of(one: Evidence, case: CaseFile) -> Finding | None:
    """Return the finding that evidence was taken from, None where it was made of the frames."""
    for finding in case.result.findings:
        if finding.kind in FINDINGS_OF.get(one.value, ()) and finding.start_ns == one.from_ns:
            place = finding.place
            names = {
                place.message,
                place.bus,
                f"{place.record}.{place.field}",
                f"{place.message}.{place.signal}",
            }
            if finding.kind == MISSING and place.message is None and finding.parts:
                is_of = list(one.names) == messages(finding.parts)  # each node that never came has its own
            else:
                is_of = one.subject in names or (one.value == "swapped" and place.message is None)
            if is_of:
                return finding
    return None


def _unit_of_finding(finding: Finding, case: CaseFile) -> str:
    place = finding.place
    if finding.kind in LASTING:
        return "s"
    if place.record is None or place.field is None:
        return _unit_of_signal(f"{place.message}.{place.signal}", case)
    unit = case.result.shown[place.record][place.field].type.unit
    return f"{unit}/s" if finding.kind == "slew" else unit


def _field_of_signal(subject: str, case: CaseFile) -> Shown | None:
    """How the field is shown that a record makes of a signal."""
    for record in case.spec.records:
        for field in record.fields:
            if any(f"{ref.message}.{ref.signal}" == subject for ref in field.sources):
                return case.result.shown[record.name][field.type.name]
    return None


def _unit_of_signal(subject: str, case: CaseFile) -> str:
    """The unit that the description gives a signal, "" for none."""
    for column in case.plan.columns:
        if f"{case.rules[column.slot].message.name}.{column.signal.name}" == subject:
            return column.signal.unit
    return ""
