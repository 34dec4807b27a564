"""From what the grammar read of the manual to the `Manual` of the spec."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from canmap.mapping.manual import DemandRule, Manual
from canmap.mapping.reading import grammar as g

if TYPE_CHECKING:
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import SectionValues
    from canmap.mapping.reading.shapes import Entry

V = TypeVar("V")


def manual(top: SectionValues) -> Manual:
    """Return what the manual promises of the whole vehicle, but for what stands on records."""
    return Manual(
        demands=tuple(_demand(entry) for entry in top.get(g.DEMANDS) or ()),
        supply_groups={entry.key: entry.value for entry in top.get(g.SUPPLY_GROUPS) or ()},
        faults=tuple(fault for entry in top.get(g.FAULTS) or () for fault in entry.value),
        state_machines=_values(top.get(g.STATE_MACHINES)),
        overrides=_values(top.get(g.OVERRIDES)),
        verified_on=top.get(g.VERIFIED_ON),
    )


def _values(entries: tuple[Entry[str, V], ...] | None) -> tuple[V, ...]:
    return tuple(entry.value for entry in entries or ())


def _demand(entry: Entry[FoundMessage, SectionValues]) -> DemandRule:
    return DemandRule(
        message=entry.key.ref,
        watchdog_ns=entry.value.get(g.WATCHDOG),
        reaction=entry.value.get(g.REACTION) or "",
        valid_when=entry.value.get(g.OBEYED_WHEN) or (),
        requires=entry.value.get(g.REQUIRES) or (),
    )
