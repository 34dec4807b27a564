"""How a value of a record's field is shown to people: in the unit of the manual, or in SI."""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import number
from canmap.records.change import in_words
from canmap.vocabulary.record_types import field_types
from canmap.vocabulary.units import UNITS, Unit, find_unit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.model import RecordRule, Spec
    from canmap.vocabulary.record_types import FieldType

NUMBER = UNITS["1"]
# Derived fields come from no signal, so no manual states their unit.
_DERIVED = {"yaw_rate": "deg/s", "heading": "deg"}


@dataclass(frozen=True, slots=True)
class Shown:
    """How one field is shown.

    Attributes:
        type: What the field holds.
        unit: The unit that its values are shown in, the plain number for a choice.
        labels: What the description calls the values of a code.
    """

    type: FieldType
    unit: Unit
    labels: Mapping[int, str] = field(default_factory=dict)

    @property
    def heading(self) -> str:
        """The unit as a column shows it: "1" for a plain number, nothing for a choice."""
        return self.unit.name if self.type.kind is float else ""

    def text(self, value: float) -> str:
        """Return a value of the field, in SI or as a code, without its unit."""
        if self.type.kind is float:
            return number(self.unit.of_si(value))
        return in_words(self.type.kind(value), self.labels)

    def with_unit(self, value: float) -> str:
        """Return a value with its unit, where that is more than a plain number."""
        unit = self.heading
        return self.text(value) + (f" {unit}" if unit not in ("", NUMBER.name) else "")


def shown_fields(spec: Spec) -> dict[str, dict[str, Shown]]:
    """Return how each field of each record of a spec is shown, in the units of the manual."""
    return {rule.name: _of_record(rule) for rule in spec.records}


def in_si(fields: Mapping[str, Mapping[str, Shown]]) -> dict[str, dict[str, Shown]]:
    """Return how the same fields are shown in SI."""
    return {
        record: {name: replace(shown, unit=_unit(shown.type.unit)) for name, shown in by_name.items()}
        for record, by_name in fields.items()
    }


def _of_record(rule: RecordRule) -> dict[str, Shown]:
    units = {
        **(_DERIVED if rule.derived else {}),
        **{one.type.name: one.shown_in for one in rule.fields},
    }
    labels = {one.type.name: one.labels for one in rule.fields}
    return {
        name: Shown(type_, _unit(units.get(name) or type_.unit), labels.get(name, {}))
        for name, type_ in field_types(rule.type).items()
    }


def _unit(name: str) -> Unit:
    return find_unit(name) or NUMBER
