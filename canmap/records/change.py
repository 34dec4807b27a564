"""A change of a state, a yes or no, or a code of a record: what happened, and when."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from canmap.base.dataclass import public_dataclass
from canmap.vocabulary.record_types import plain_choice

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.mapping.refs import SignalRef

NO_LABELS: Mapping[int, str] = {}


@public_dataclass(frozen=True, slots=True)
class Change:
    """A field that is a choice got another value, from its last valid value to its next valid one.

    Attributes:
        record: As the spec names the record.
        field: Its field.
        source: The signal that it is made of.
        number: 1 for the first change of the field, 2 for the next.
        clock_ns: Session clock of the record that first has the new value, in ns.
        before: The value before, as rows have it: bool, int, or a member of an IntEnum.
        after: The new value, the same way.
        until_ns: Session clock of the next change of the field; None where none came, or none is known yet.
        labels: What the description calls the values of a code.
    """

    record: str
    field: str
    source: SignalRef
    number: int
    clock_ns: int
    before: int
    after: int
    until_ns: int | None = None
    labels: Mapping[int, str] = dataclasses.field(default_factory=dict, compare=False, repr=False)

    @property
    def name(self) -> str:
        """Return "stop.pressed"."""
        return f"{self.record}.{self.field}"

    @property
    def held_ns(self) -> int | None:
        """How long the new value held, in ns; None: to the end, or that is not known yet."""
        return None if self.until_ns is None else self.until_ns - self.clock_ns

    @property
    def words(self) -> tuple[str, str]:
        """The value before and the new one, as sentences have them."""
        return in_words(self.before, self.labels), in_words(self.after, self.labels)


def in_words(value: int, labels: Mapping[int, str] = NO_LABELS) -> str:
    """Return a value of a state, a yes or no, or a code as sentences have it: by its label, if it has one."""
    if value in labels:
        return labels[value]
    plain = plain_choice(value)
    return ("yes" if plain else "no") if isinstance(plain, bool) else str(plain)


def told_once(changes: Iterable[Change]) -> list[Change]:
    """Return changes in their order, without those that an earlier one tells already in another field.

    Such a one is of the same signal, at the same time, and between the same values.
    """
    first: dict[tuple[SignalRef, int, bool | int | str, bool | int | str], Change] = {}
    for change in changes:
        values = plain_choice(change.before), plain_choice(change.after)
        first.setdefault((change.source, change.clock_ns, *values), change)
    return list(first.values())
