"""Simulator: a scenario file and a file of faults to what is run, every mistake reported with its place.

A scenario names the mapping spec of the vehicle, whose bus descriptions say how its messages are laid out,
and holds the script. What the kit on the bus is made of stands in `world`.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import FaultyFileError, UsageError
from canmap.mapping.loader import load_spec
from canmap.mapping.reading.marks import read_nodes
from canmap.mapping.reading.mistakes import Faults
from canmap.mapping.reading.names import Names
from canmap.mapping.reading.sections import Context, Key, Section
from canmap.mapping.reading.shapes import integer, list_of, placed_text, quantity, text, time_ns, word, yes_no
from canmap.simulator.cart.fleet import vehicle_with
from canmap.simulator.cart.other_traffic import OtherLoad
from canmap.simulator.cart.world import Plan, Setup
from canmap.simulator.scenario.recorder_keys import RECORDER, check_recorder, recorder_setup
from canmap.simulator.scenario.script import moment_ns, script_line

if TYPE_CHECKING:
    from canmap.mapping.model import Geometry, Spec
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle import VehicleParameters
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.scenario.fault_file import Case
    from canmap.simulator.scenario.script import Line
    from canmap.vocabulary.units import Measure

LARGEST_SEED = 2**32 - 1

NAME = Key("scenario", text, required=True)
SPEC = Key("spec", placed_text, required=True)
SEED = Key("seed", integer(0, LARGEST_SEED))
DURATION = Key("duration", time_ns, required=True)
SCRIPT = Key("script", list_of(script_line, "lines", most=10_000), required=True)
REPEAT_FROM = Key("from", moment_ns, required=True)
REPEAT_EVERY = Key("every", time_ns, required=True)
REPEAT = Key("repeat", Section("the repetition", (REPEAT_FROM, REPEAT_EVERY)))
WITHDRAWS = Key("withdraws_after", time_ns, required=True)
BY = Key("by", word("how it withdraws", ("enable", "silence")))
COMPUTER = Key("computer", Section("the computer", (WITHDRAWS, BY)))
MOST_LOAD = 0.8
MOST_READ = 8  # specs that are kept


def _load(node: Node, context: Context) -> Measure | None:
    value = quantity("1", positive=True)(node, context)
    if value is not None and value.si > MOST_LOAD:
        context.faults.add(node.place, f"Other traffic takes at most {100 * MOST_LOAD:g} % of the bus.")
        return None
    return value


IDENTIFIERS = Key("identifiers", integer(2, 500))
LOAD = Key("load", _load)
OTHERS = Key("other_traffic", Section("the other traffic", (IDENTIFIERS, LOAD)))
USUAL_OTHERS = OtherLoad(60, 0.4)
MEASURES = {
    "mass": "kg",
    "rolling_resistance": "1",
    "motor_force": "N",
    "motor_power": "W",
    "brake_force": "N",
    "rim_mass": "kg",
}
MEASURE_KEYS = {name: Key(name, quantity(unit, positive=True)) for name, unit in MEASURES.items()}
HOLD_UP = Key("hold_up", yes_no)
VEHICLE = Key("vehicle", Section("the vehicle", (*MEASURE_KEYS.values(), HOLD_UP)))
_PARTS = (NAME, SPEC, SEED, DURATION, VEHICLE, COMPUTER, OTHERS, RECORDER, REPEAT, SCRIPT)
SCENARIO = Section("a scenario", _PARTS, is_file=True)


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is run, and what is wrong with it.

    Attributes:
        path: The file.
        faults_path: The file of faults, None for none.
        name: As the file says.
        spec: The vehicle's mapping spec.
        seed: Of everything random.
        lines: The script.
        faults: What goes wrong.
        setup: What the world is made from; it can be run once.
    """

    path: str
    faults_path: str | None
    name: str
    spec: Spec
    seed: int
    lines: tuple[Line, ...]
    faults: tuple[Case, ...]
    setup: Setup

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that was read for it."""
        own = (self.path,) if self.faults_path is None else (self.path, self.faults_path)
        return (*own, *self.spec.files)


def load_scenario(path: str, faults_path: str | None = None, seed: int | None = None) -> Scenario:
    """Read a scenario, and the faults if there are some.

    Args:
        path: The YAML file of the scenario.
        faults_path: The YAML file of the faults.
        seed: Over what the scenario says.

    Raises:
        FaultyFileError: A file has mistakes; it holds all of them.
        UsageError: `seed` is out of range.
    """
    if seed is not None and not 0 <= seed <= LARGEST_SEED:
        raise UsageError(f"The seed {seed} is not between 0 and {LARGEST_SEED}; choose one that is.")
    faults = Faults()
    context = Context(faults, [], Names((), {}), file=path)
    root = read_nodes(path, faults)
    values = SCENARIO.values(root, context) if root is not None else None
    spec = _spec(values, path, faults) if values is not None else None
    cases: tuple[Case, ...] = ()
    if faults_path is not None:
        cases = _faults(faults_path, spec, faults)
    if values is not None:
        _check_moments(values, cases, faults)
    if len(faults) or values is None or spec is None:
        raise FaultyFileError(faults.error().faults)
    scenario = _put_together(path, values, spec, cases, seed)
    return replace(scenario, faults_path=faults_path)


def _spec(values: SectionValues, path: str, faults: Faults) -> Spec | None:
    named = values.get(SPEC)
    if named is None:
        return None
    try:
        spec = _spec_at(Path(path).parent / named.text)
    except FaultyFileError as error:
        faults.extend(error.faults)
        return None
    known = {rule.message.name for rule in spec.messages}
    kind = _kind(spec)
    missing = [name for name in kind.needed if name not in known]
    buses = [bus.name for bus in kind.buses]
    if missing or not set(buses) <= set(spec.buses):
        what = f"the message {missing[0]}" if missing else f"its bus `{'` or `'.join(buses)}`"
        faults.add(named.place, f"This spec lacks {what}: the simulator needs a spec of the {kind.name}.")
        return None
    check_recorder(values.get(RECORDER), kind, faults)
    return spec


_READ: dict[Path, tuple[Spec, list[tuple[int, int]]]] = {}  # specs, with the state of their files


def _spec_at(path: Path) -> Spec:
    """Read a spec, or return the one that was read before from the same files: many scenarios name one."""
    place = path.absolute()
    spec, state = _READ.get(place, (None, []))
    if spec is None or state != _state_of(spec.files):
        spec = load_spec(str(path))
        if len(_READ) >= MOST_READ:
            _READ.clear()
        _READ[place] = spec, _state_of(spec.files)
    return spec


def _state_of(files: tuple[str, ...]) -> list[tuple[int, int]]:
    """Return when each file was written, ns, and its size; nothing where one is missing."""
    try:
        return [(found.st_mtime_ns, found.st_size) for found in map(os.stat, files)]
    except OSError:
        return []


def _kind(spec: Spec) -> VehicleKind:
    """Return which vehicle a spec is of."""
    return vehicle_with({rule.message.sender for rule in spec.messages})


def _faults(path: str, spec: Spec | None, faults: Faults) -> tuple[Case, ...]:
    from canmap.simulator.scenario.fault_file import FAULT_FILE, FAULTS  # noqa: PLC0415 - a dozen modules

    described = {} if spec is None else {name: bus.description for name, bus in spec.buses.items()}
    names = Names(described or ("drive", "chassis"), described)
    root = read_nodes(path, faults)
    if root is None:
        return ()
    return FAULT_FILE.values(root, Context(faults, [], names, file=path)).get(FAULTS) or ()


def _check_moments(values: SectionValues, cases: tuple[Case, ...], faults: Faults) -> None:
    """Refuse what would only be done once the run is over, and so never."""
    duration_ns = values.get(DURATION)
    if duration_ns is None:
        return
    for line in values.get(SCRIPT) or ():
        if line.t_ns >= duration_ns:
            _complain(line.values, "is done", duration_ns, faults)
    for case in cases:
        if case.start_ns >= duration_ns:
            _complain(case.values, "begins", duration_ns, faults)


def _complain(values: SectionValues, verb: str, duration_ns: int, faults: Faults) -> None:
    _, at = values.nodes["at"]
    text = f"This {verb} after the end of the scenario: its duration is {duration_ns / 1e9:g} s."
    faults.add(at.place, text)


def _put_together(
    path: str, values: SectionValues, spec: Spec, cases: tuple[Case, ...], seed: int | None
) -> Scenario:
    duration_ns, lines = values.get(DURATION) or 0, values.get(SCRIPT) or ()
    computer, vehicle = values.get(COMPUTER), values.get(VEHICLE)
    seed = seed if seed is not None else values.get(SEED) or 0
    plan, kind = Plan(recording=recorder_setup(values.get(RECORDER))), _kind(spec)
    setup = Setup(
        spec.buses[kind.drive.name].description,
        spec.buses[kind.chassis.name].description if kind.chassis else None,
        plan,
        duration_ns,
        seed,
        _parameters(kind.parameters, vehicle, spec.geometry),
        kind=kind,
        others=_others(values.get(OTHERS)),
        hold_up=vehicle is None or vehicle.get(HOLD_UP) is not False,
        withdraws_ns=(computer.get(WITHDRAWS) or 0) if computer else 0,
        by_silence=computer is not None and computer.get(BY) == "silence",
    )
    _plan_script(values, lines, plan, duration_ns)
    for number, case in enumerate(cases):
        case.plan(plan, number, duration_ns)
    return Scenario(path, None, values.get(NAME) or "", spec, seed, lines, cases, setup)


def _others(values: SectionValues | None) -> OtherLoad | None:
    """Return how much undescribed traffic there is."""
    if values is None:
        return None
    load = values.get(LOAD)
    return OtherLoad(
        values.get(IDENTIFIERS) or USUAL_OTHERS.identifiers,
        USUAL_OTHERS.load if load is None else float(load.si),
    )


def _plan_script(values: SectionValues, lines: tuple[Line, ...], plan: Plan, duration_ns: int) -> None:
    """Have each line done, those that are repeated again and again to the end."""
    repeat = values.get(REPEAT)
    begin, every = (repeat.get(REPEAT_FROM), repeat.get(REPEAT_EVERY)) if repeat else (None, None)
    for line in lines:
        line.plan(plan, line.t_ns)
        if begin is not None and every is not None and line.t_ns >= begin:
            for t_ns in range(line.t_ns + every, duration_ns, every):
                line.plan(plan, t_ns)


def _parameters(
    usual: VehicleParameters, values: SectionValues | None, geometry: Geometry
) -> VehicleParameters:
    """Return the vehicle's measures: the usual ones, the spec's geometry, and what the scenario changes."""
    measured = {
        name: value
        for name in ("wheelbase", "track", "steering_ratio", "rolling_radius")
        if (value := getattr(geometry, name)) is not None
    }
    for name, key in MEASURE_KEYS.items():
        found = values.get(key) if values else None
        if found is not None:
            measured[name] = float(found.si)
    return replace(usual, **measured)
