"""Simulator: a line of a file of faults to a case: what kind, when, with which parameters, and its truth.

``{kind: message_stopped, message: SteerFeedback, at: 5 s, for: 420 ms}``; without `for` a fault lasts to the
end. `FAULT_KINDS` is the list of kinds.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from canmap.base.dataclass import dataclass
from canmap.mapping.reading.marks import Scalar
from canmap.mapping.reading.sections import Key, Section, mapping
from canmap.mapping.reading.shapes import list_of, word
from canmap.simulator.cart.chronicle import Happened, chain_of
from canmap.simulator.cart.fleet import vehicle_with
from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.simulator.scenario.faults import Effect, TimeSpan
from canmap.simulator.scenario.script import AT, FOR
from canmap.simulator.scenario.ties import InCommon, tied_with

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.simulator.cart.chronicle import Chronicle, Recorded
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan, World


@dataclass(frozen=True, slots=True)
class Case:
    """One fault.

    Attributes:
        kind: Its name in `FAULT_KINDS`.
        start_ns: Simulated time.
        for_ns: How long, None: to the end.
        values: Its parameters.
        vehicle: What it happens to.
    """

    kind: str
    start_ns: int
    for_ns: int | None
    values: SectionValues
    vehicle: VehicleKind

    def span(self, duration_ns: int) -> TimeSpan:
        """Return from when to when it lasts in a run of that length."""
        stop_ns = duration_ns if self.for_ns is None else min(self.start_ns + self.for_ns, duration_ns)
        return TimeSpan(self.start_ns, stop_ns, self.vehicle, to_the_end=stop_ns >= duration_ns)

    def complaint(self) -> str | None:
        """Say what is wrong with it, None for nothing."""
        if self.kind in self.vehicle.without:
            return f"The fault {self.kind} does not apply to the {self.vehicle.name}."
        complaint = FAULT_KINDS[self.kind].complaint
        return None if complaint is None else complaint(self.values, self.vehicle)

    def effect(self, duration_ns: int) -> Effect:
        """Return what it does."""
        effect = FAULT_KINDS[self.kind].effect(self.values, self.span(duration_ns))
        return replace(effect, bus=self.vehicle.bus_name(effect.bus))

    def plan(self, plan: Plan, number: int, duration_ns: int) -> None:
        """Have it done, and its beginning and end noted as those of fault `number` of the run."""
        span, effect = self.span(duration_ns), self.effect(duration_ns)
        first_ns = max(0, span.start_ns - effect.lead_ns)

        def note(world: World) -> None:
            touches = effect.touches or ((effect.message,) if effect.message else ())
            root = world.chronicle.note(first_ns, Happened.FAULT_BEGAN, self.kind, about=touches)
            world.chronicle.roots[number] = root

        def begin(world: World) -> None:
            chronicle = world.chronicle
            chronicle.acting = chronicle.roots[number]
            if effect.begin is not None:
                effect.begin(world)
            chronicle.acting = None

        def end(world: World) -> None:
            chronicle = world.chronicle
            root = chronicle.roots[number]
            place = chronicle.note(span.stop_ns, Happened.FAULT_ENDED, self.kind, after=root)
            chronicle.end(root, span.stop_ns)
            chronicle.acting = place
            if effect.end is not None:
                effect.end(world)
            chronicle.acting = None

        plan.at(first_ns, note)
        if effect.prepare is not None:
            effect.prepare(plan)
        plan.at(span.start_ns, begin)
        if not span.to_the_end:
            plan.at(span.stop_ns, end)

    def truth(
        self, number: int, chronicle: Chronicle, duration_ns: int, recorded: Recorded
    ) -> dict[str, Any]:
        """Return what the truth file says of it.

        Args:
            number: Of the fault in its run.
            chronicle: Of the run.
            duration_ns: Of the run.
            recorded: The capture; seconds are counted from its first frame.
        """
        span, effect, first_ns = self.span(duration_ns), self.effect(duration_ns), recorded.first_ns
        described: dict[str, Any] = {"kind": self.kind, "cause": effect.cause}
        whole = FAULT_KINDS[self.kind].whole
        described["start_s"] = 0.0 if whole else round((span.start_ns - first_ns) / 1e9, 6)
        described["end_s"] = None if span.to_the_end else round((span.stop_ns - first_ns) / 1e9, 6)
        for name in ("bus", "node", "message", "signal"):
            described[name] = getattr(effect, name)
        if effect.messages:
            described["messages"] = list(effect.messages)
        parameters = {
            name: node.text for name, (_, node) in self.values.nodes.items() if isinstance(node, Scalar)
        }
        described["parameters"] = {
            name: stated
            for name, stated in parameters.items()
            if name not in {"kind", "at", "for", "message", "signal"}
        }
        described["tie_with"] = tied_with(self.kind, self.values, InCommon(span, recorded))
        root = chronicle.roots.get(number)
        described["chain"] = [] if root is None else chain_of(chronicle, root, first_ns)
        return described


KIND = Key("kind", word("a kind of fault", FAULT_KINDS), required=True)


def read_fault(node: Node, context: Context) -> Case | None:
    """Read one fault."""
    entries = mapping(node, context, "a fault")
    if entries is None:
        return None
    stated = entries.value("kind")
    kind = stated.text if isinstance(stated, Scalar) else ""
    keys = FAULT_KINDS[kind].keys if kind in FAULT_KINDS else ()
    before = len(context.faults)
    if stated is None or kind not in FAULT_KINDS:
        if stated is None:
            context.faults.add(entries.place, "A fault needs the key `kind`.")
        else:
            KIND.read(stated, context)
        return None
    timed = () if FAULT_KINDS[kind].whole else (AT, FOR)
    values = Section(f"a fault of kind {kind}", (KIND, *timed, *keys)).values(entries, context)
    if len(context.faults) > before:
        return None
    start_ns = values.get(AT) if timed else 0
    if start_ns is None:
        return None
    case = Case(kind, start_ns, values.get(FOR), values, vehicle_with(context.names.nodes))
    if (text := case.complaint()) is not None:
        context.faults.add(entries.place, text)
        return None
    return case


FAULTS = Key("faults", list_of(read_fault, "faults", least=0), required=True)
FAULT_FILE = Section("a fault file", (FAULTS,), is_file=True)
