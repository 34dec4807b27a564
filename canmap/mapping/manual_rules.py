"""From what the grammar read of the manual to the `Manual` of the spec."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from canmap.mapping.manual import DemandRule, Manual
from canmap.mapping.notes import Note, NoteReason
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown

if TYPE_CHECKING:
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.mapping.reading.shapes import Entry

V = TypeVar("V")


def manual(top: SectionValues, context: Context) -> Manual:
    """Return what the manual promises of the whole vehicle, but for what stands on records."""
    return Manual(
        demands=tuple(_demand(entry, top, context) for entry in top.get(g.DEMANDS) or ()),
        supply_groups={entry.key: entry.value for entry in top.get(g.SUPPLY_GROUPS) or ()},
        faults=tuple(fault for entry in top.get(g.FAULTS) or () for fault in entry.value),
        state_machines=_values(top.get(g.STATE_MACHINES)),
        overrides=_values(top.get(g.OVERRIDES)),
        verified_on=top.get(g.VERIFIED_ON),
    )


def _values(entries: tuple[Entry[str, V], ...] | None) -> tuple[V, ...]:
    return tuple(entry.value for entry in entries or ())


def _demand(entry: Entry[FoundMessage, SectionValues], top: SectionValues, context: Context) -> DemandRule:
    said = entry.value
    both = said.get(g.OBEYED_WHEN) or ()
    first, reaction = said.get(g.REACTION) or ("", "")
    return DemandRule(
        message=entry.key.ref,
        watchdog_ns=said.get(g.WATCHDOG),
        reaction=reaction,
        first=first,
        fresh_when=(*both, *(said.get(g.FRESH_WHEN) or ())),
        asks_when=(*both, *(said.get(g.ASKS_WHEN) or ())),
        requires=said.get(g.REQUIRES) or (),
        tolerates=said.get(g.TOLERATES) or 0,
        watchdog_with=tuple(found.ref for found in said.get(g.WATCHDOG_WITH) or ()),
        state_machine=_machine_of(entry, top, context),
        page=said.get(g.DEMAND_PAGE) or "",
    )


def _machine_of(entry: Entry[FoundMessage, SectionValues], top: SectionValues, context: Context) -> str:
    """Return the name of the state machine of a demand's axis; note where it is none, or tells too little."""
    name, said = entry.value.get(g.STATE_MACHINE), entry.value
    if name is None:
        if said.has(g.WATCHDOG) and not said.has(g.STATE_MACHINE):
            place, about = said.place_of(g.WATCHDOG), entry.key
            context.notes.append(
                Note(
                    reason=NoteReason.NO_STATE_MACHINE,
                    bus=about.bus,
                    message=about.message.name,
                    subject=about.message.name,
                    line=place.line,
                    file=context.fragment(place),
                )
            )
        return ""
    machines = {one.key: one.value for one in top.get(g.STATE_MACHINES) or ()}
    section = top.node_of(g.STATE_MACHINES)
    names = list(section.pairs) if isinstance(section, Entries) else []
    if name.text not in names:
        hint = context.faults.hint(name.text, names)
        context.faults.add(name.place, f"There is no state machine {shown(name.text)}{hint}")
    elif name.text in machines and not machines[name.text].active:
        text = f"The state machine {shown(name.text)} does not tell when it acts: name its `active` states."
        context.faults.add(name.place, text)
    return name.text
