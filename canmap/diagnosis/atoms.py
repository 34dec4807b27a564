"""The list of atoms: who gathers each, and what of capture and spec it needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.diagnosis.atoms_of_counters import counter
from canmap.diagnosis.atoms_of_demands import demand, kit, stop_chain
from canmap.diagnosis.atoms_of_description import description
from canmap.diagnosis.atoms_of_order import order
from canmap.diagnosis.atoms_of_silence import phase, reach
from canmap.diagnosis.atoms_of_traffic import bus, recorder, strangers
from canmap.diagnosis.atoms_of_values import physics, supply
from canmap.diagnosis.evidence import Atom
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from canmap.diagnosis.case_file import CaseFile
    from canmap.diagnosis.evidence import Evidence


class Lack(NamedTuple):
    """Something that capture or spec do not hold, and that would have been evidence.

    Attributes:
        atom: Whose source it is.
        text: One sentence: what is missing, and what to record or write into the spec next time.
    """

    atom: Atom
    text: str


GATHER: Mapping[Atom, Callable[[CaseFile], Iterable[Evidence]]] = {
    Atom.REACH: reach,
    Atom.ORDER: order,
    Atom.COUNTER: counter,
    Atom.PHASE: phase,
    Atom.BUS: bus,
    Atom.DEMAND: demand,
    Atom.KIT: kit,
    Atom.STOP_CHAIN: stop_chain,
    Atom.SUPPLY: supply,
    Atom.STRANGERS: strangers,
    Atom.RECORDER: recorder,
    Atom.PHYSICS: physics,
    Atom.DESCRIPTION: description,
}


def gathered(case: CaseFile) -> tuple[Evidence, ...]:
    """Return all evidence on an episode, by the order of the atoms and by time."""
    atoms = (Atom.DESCRIPTION,) if case.from_start else Atom
    return tuple(
        one for atom in atoms for one in sorted(GATHER[atom](case), key=lambda e: (e.from_ns, e.value))
    )


def lacking(case: CaseFile) -> tuple[Lack, ...]:
    """Return what would have been evidence, and is not there."""
    spec, manual = case.spec, case.spec.manual
    has_states = any(field.type.kind is AxisState for rule in spec.records for field in rule.fields)
    wanted = (
        (
            Atom.REACH,
            any(rule.sender for rule in case.rules),
            "Senders: no message has one. Name them in the spec (`sender`).",
        ),
        (
            Atom.REACH,
            bool(manual.supply_groups),
            "Supplies: the spec does not say which nodes share one (`supply_groups`).",
        ),
        (
            Atom.COUNTER,
            any(rule.counter for rule in case.rules),
            "Rolling counters: the spec promises none (`counter`).",
        ),
        (
            Atom.BUS,
            bool(case.result.capture.error_frames),
            "Error frames: the capture has none. The bus was clean, or the recorder leaves them out; "
            "have it record them.",
        ),
        (
            Atom.DEMAND,
            bool(manual.demands),
            "Demands: the spec names none of the computer's (`demands`).",
        ),
        (
            Atom.KIT,
            has_states,
            "Axis states: no record of the spec has one; map what the kit says of each axis (`state`).",
        ),
        (
            Atom.STOP_CHAIN,
            any(issubclass(rule.type, Stop) for rule in spec.records),
            "Stop chain: no record of the spec tells of it. Map buttons, radio link, stop loop and relay "
            "(`type: Stop`), or record them beside the bus.",
        ),
        (
            Atom.SUPPLY,
            any(column.signal.unit == "V" for column in case.plan.columns),
            "Voltages: no signal is in V. Record the supply at the plugs of the nodes.",
        ),
        (
            Atom.PHYSICS,
            bool(manual.overrides),
            "Overrides: the spec does not say by what the driver overrides (`overrides`).",
        ),
    )
    return tuple(Lack(atom, text) for atom, there, text in wanted if not there)
