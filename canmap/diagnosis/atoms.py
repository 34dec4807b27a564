"""The list of atoms: who gathers each, and what of capture and spec it needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.diagnosis.atoms_of_demands import demand, kit, stop_chain
from canmap.diagnosis.atoms_of_description import description
from canmap.diagnosis.atoms_of_order import order
from canmap.diagnosis.atoms_of_silence import counter, phase, reach
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
            "No message has a sender: name them in the spec.",
        ),
        (
            Atom.REACH,
            bool(manual.supply_groups),
            "The spec does not say what the stop relay feeds (`supply_groups`).",
        ),
        (Atom.COUNTER, any(rule.counter for rule in case.rules), "The spec promises no rolling counter."),
        (
            Atom.BUS,
            bool(case.result.capture.error_frames),
            "The capture has no error frames: the bus was clean, or the recorder does not report "
            "them; make sure that it does.",
        ),
        (Atom.DEMAND, bool(manual.demands), "The spec names no demand of the computer (`demands`)."),
        (Atom.KIT, has_states, "No record of the spec tells the state of an axis."),
        (
            Atom.STOP_CHAIN,
            any(issubclass(rule.type, Stop) for rule in spec.records),
            "No record of the spec tells of the stop chain: map buttons, link, loop and relay as Stop.",
        ),
        (
            Atom.SUPPLY,
            any(column.signal.unit == "V" for column in case.plan.columns),
            "No signal tells a voltage.",
        ),
        (
            Atom.PHYSICS,
            bool(manual.overrides),
            "The spec does not say when the driver overrides (`overrides`).",
        ),
    )
    return tuple(Lack(atom, text) for atom, there, text in wanted if not there)
