"""The list of atoms: who gathers each, and what of capture and spec it needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.diagnosis.facts.atoms_of_counters import counter
from canmap.diagnosis.facts.atoms_of_demands import demand, kit, stop_chain
from canmap.diagnosis.facts.atoms_of_description import description
from canmap.diagnosis.facts.atoms_of_order import order
from canmap.diagnosis.facts.atoms_of_silence import phase, reach
from canmap.diagnosis.facts.atoms_of_traffic import bus, recorder, strangers
from canmap.diagnosis.facts.atoms_of_values import physics, supply
from canmap.diagnosis.facts.evidence import Atom, Role
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence


class Lack(NamedTuple):
    """Something that capture or spec do not hold, and that would have been evidence.

    Attributes:
        atom: Whose source it is.
        text: One sentence: what is missing, and what to record or write into the spec next time.
        measure: What would tell it at the vehicle, to name where it alone would decide; "" if nothing would.
        of: Whom it would be about; empty for anyone.
    """

    atom: Atom
    text: str
    measure: str
    of: tuple[Role, ...] = ()


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


def _has_axis_states(case: CaseFile) -> bool:
    return any(field.type.kind is AxisState for rule in case.spec.records for field in rule.fields)


def _has_stop_chain(case: CaseFile) -> bool:
    return any(issubclass(rule.type, Stop) for rule in case.spec.records)


SOURCES: tuple[tuple[Callable[[CaseFile], bool], Lack], ...] = (
    (
        lambda case: any(rule.sender for rule in case.rules),
        Lack(
            Atom.REACH,
            "Senders: no message has one. Name them in the spec (`sender`).",
            "Which node sends each message.",
        ),
    ),
    (
        lambda case: bool(case.spec.manual.supply_groups),
        Lack(
            Atom.REACH,
            "Supplies: the spec does not say which nodes share one (`supply_groups`).",
            "Which nodes share a supply.",
        ),
    ),
    (
        lambda case: any(rule.counter for rule in case.rules),
        Lack(
            Atom.COUNTER,
            "Rolling counters: the spec promises none (`counter`).",
            "",
        ),
    ),
    (
        lambda case: bool(case.result.capture.error_frames),
        Lack(
            Atom.BUS,
            "Error frames: the capture has none. The bus was clean, or the recorder leaves them out; "
            "have it record them.",
            "The error frames of the bus, by a recorder that keeps them.",
        ),
    ),
    (
        lambda case: bool(case.spec.manual.demands),
        Lack(
            Atom.DEMAND,
            "Demands: the spec names none of the computer's (`demands`).",
            "What the computer demanded, recorded beside the messages of the kit.",
        ),
    ),
    (
        _has_axis_states,
        Lack(
            Atom.KIT,
            "Axis states: no record of the spec has one; map what the kit says of each axis (`state`).",
            "What the kit says of each axis: active, let go, faulted.",
        ),
    ),
    (
        _has_stop_chain,
        Lack(
            Atom.STOP_CHAIN,
            "Stop chain: no record of the spec tells of it. Map buttons, radio link, stop loop and relay "
            "(`type: Stop`), or record them beside the bus.",
            "The stop buttons, the loop and the relay, recorded beside the bus.",
        ),
    ),
    (
        lambda case: any(column.signal.unit == "V" for column in case.plan.columns),
        Lack(
            Atom.SUPPLY,
            "Voltages: no signal is in V. Record the supply at the plugs of the nodes.",
            "The voltage at the plugs of the nodes, recorded beside the bus.",
        ),
    ),
    (
        lambda case: bool(case.spec.manual.overrides),
        Lack(
            Atom.PHYSICS,
            "Overrides: the spec does not say by what the driver overrides (`overrides`).",
            "What the driver takes over by: the torque at the wheel, and the pedals.",
            (Role.STEERING_WHEEL, Role.PEDAL),
        ),
    ),
)


def lacking(case: CaseFile) -> tuple[Lack, ...]:
    """Return what would have been evidence, and is not there."""
    return tuple(lack for is_there, lack in SOURCES if not is_there(case))
