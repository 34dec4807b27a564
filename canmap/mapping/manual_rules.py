"""From what the grammar read of the manual to the `Manual` of the spec."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from canmap.mapping.fault_rules import LeadsTo
from canmap.mapping.manual import DemandRule, Manual
from canmap.mapping.notes import Note, NoteReason
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.override_grammar import MACHINES
from canmap.mapping.reading.raw_codes import code_list
from canmap.mapping.reading.sections import WHOLE

if TYPE_CHECKING:
    from canmap.mapping.fault_rules import FaultRule
    from canmap.mapping.manual import StateMachineRule, VerifiedOn
    from canmap.mapping.override_rules import OverrideRule
    from canmap.mapping.reading.fault_grammar import ReadFault
    from canmap.mapping.reading.marks import Scalar
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.mapping.reading.shapes import Entry

V = TypeVar("V")


def manual(top: SectionValues, context: Context) -> Manual:
    """Return what the manual promises of the whole vehicle, but for what stands on records."""
    return Manual(
        demands=tuple(_demand(entry, top, context) for entry in top.get(g.DEMANDS) or ()),
        supply_groups={entry.key: entry.value for entry in top.get(g.SUPPLY_GROUPS) or ()},
        faults=tuple(_fault(one, top, context) for entry in top.get(g.FAULTS) or () for one in entry.value),
        trouble_codes=tuple(entry.value for entry in top.get(g.TROUBLE_CODES) or ()),
        state_machines=_values(top.get(g.STATE_MACHINES)),
        overrides=tuple(_override(entry, top, context) for entry in top.get(g.OVERRIDES) or ()),
        verified_on=_verified_on(top, context),
    )


def _verified_on(top: SectionValues, context: Context) -> VerifiedOn | None:
    """Return what the spec was verified on; a note where that were other descriptions than there are."""
    verified = top.get(g.VERIFIED_ON)
    for bus, stated in verified.descriptions.items() if verified else ():
        path = context.names.file_of(bus)
        if path and (found := _sha256(path)) and found != stated.removeprefix("sha256:").lower():
            place = top.place_of(g.VERIFIED_ON, "descriptions", bus)
            context.notes.append(
                Note(
                    reason=NoteReason.NOT_VERIFIED_ON,
                    bus=bus,
                    subject=bus,
                    detail=found,
                    line=place.line,
                    file=context.fragment(place),
                )
            )
    return verified


def _sha256(path: str) -> str | None:
    """Return the SHA-256 of a file, None where it cannot be read any more."""
    import hashlib  # noqa: PLC0415 - few specs ask for it

    try:
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    except OSError:
        return None


def _values(entries: tuple[Entry[str, V], ...] | None) -> tuple[V, ...]:
    return tuple(entry.value for entry in entries or ())


def _demand(entry: Entry[FoundMessage, SectionValues], top: SectionValues, context: Context) -> DemandRule:
    said = entry.value
    both = said.get(g.OBEYED_WHEN) or ()
    first, reaction, acts_for_ns = said.get(g.REACTION) or ("", "", None)
    others = tuple(found.ref for found in said.get(g.WATCHDOG_WITH) or ())
    if entry.key.ref in others:
        text = f"`watchdog_with` names the other demands, and {entry.key.message.name} is this one."
        context.faults.add(said.place_of(g.WATCHDOG_WITH), text)
    return DemandRule(
        message=entry.key.ref,
        watchdog_ns=said.get(g.WATCHDOG),
        reaction=reaction,
        first=first,
        acts_for_ns=acts_for_ns,
        fresh_when=(*both, *(said.get(g.FRESH_WHEN) or ())),
        asks_when=(*both, *(said.get(g.ASKS_WHEN) or ())),
        requires=said.get(g.REQUIRES) or (),
        limits=tuple(one.value for key in (g.LARGEST_STEP, g.FASTEST_CHANGE) for one in said.get(key) or ()),
        tolerates=said.get(g.TOLERATES) or 0,
        watchdog_with=others,
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
    machine = _machine(name, top, context)
    if machine and not machine.active:
        text = f"The state machine {shown(name.text)} does not tell when it acts: name its `active` states."
        context.faults.add(name.place, text)
    return name.text


def _machine(name: Scalar, top: SectionValues, context: Context) -> StateMachineRule | None:
    """Return the state machine of a name; None where it is none, which is noted, or is faulty itself."""
    machines = {one.key: one.value for one in top.get(g.STATE_MACHINES) or ()}
    written = top.node_of(g.STATE_MACHINES)
    names = list(written.pairs) if isinstance(written, Entries) else []
    if name.text not in names and WHOLE not in context.lost:
        hint = context.faults.hint(name.text, names)
        context.faults.add(name.place, f"There is no state machine {shown(name.text)}{hint}")
    return machines.get(name.text)


def _override(
    entry: Entry[str, tuple[OverrideRule, SectionValues]], top: SectionValues, context: Context
) -> OverrideRule:
    """Return an override with its state machines: the named ones, or all that have overridden states."""
    rule, said = entry.value
    for name in said.get(MACHINES) or ():
        machine = _machine(name, top, context)
        if machine and not machine.overridden:
            text = (
                f"The state machine {shown(name.text)} has no overridden state: name its `overridden` states."
            )
            context.faults.add(name.place, text)
    named = said.get(MACHINES)
    if named is None:
        machines = _values(top.get(g.STATE_MACHINES))
        names = tuple(machine.name for machine in machines if machine.overridden)
    else:
        names = tuple(dict.fromkeys(name.text for name in named))
    if not names and not said.has(MACHINES):
        place = entry.place
        context.notes.append(
            Note(
                reason=NoteReason.NO_MACHINE_OVERRIDDEN,
                bus=rule.signal.bus,
                message=rule.signal.message,
                subject=rule.name,
                line=place.line,
                file=context.fragment(place),
            )
        )
    return replace(rule, machines=names)


def _fault(read: ReadFault, top: SectionValues, context: Context) -> FaultRule:
    """Return a fault with what it leads to: the states of state machines."""
    found = []
    for entry in read.leads_to:
        machine = _machine(entry.key, top, context)
        if machine is None:
            continue
        ref = machine.signal
        name = replace(entry.key, text=f"{ref.bus}.{ref.message}.{ref.signal}")
        signal = context.names.signal(name, context.faults)
        states = code_list(entry.value, signal, context) if signal else None
        if states and set(states) & set(machine.active):
            text = f"A fault that leads to a state in which {shown(machine.name)} acts tells nothing."
            context.faults.add(entry.value.place, text)
        if not machine.active:
            text = f"The state machine {shown(machine.name)} does not tell when it acts: "
            context.faults.add(entry.key.place, f"{text}name its `active` states.")
        found.append(LeadsTo(machine=machine.name, states=states or ()))
    return replace(read.rule, leads_to=tuple(found))
