"""The one measurement that would decide what a capture leaves open, and what it lacks altogether."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.diagnosis.cause_table import EXCLUDES
from canmap.diagnosis.onsets import OnsetKind
from canmap.diagnosis.scoring import Decision
from canmap.findings.kinds import MISSING
from canmap.mapping.model import Trigger

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canmap.diagnosis.cause_table import Cause, CauseTable, Item
    from canmap.diagnosis.diagnosis import EpisodeDiagnosis
    from canmap.diagnosis.facts.evidence import Atom, Evidence
    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

BY_ONSET: Mapping[OnsetKind, str] = {  # where neither the table nor what is missing tells one
    OnsetKind.LEFT_ACTIVE: "The kit's own reason at that time, from its fault memory or its service tool.",
    OnsetKind.HANDED_BACK: "The log of the computer at that time: why it took its demand back.",
    OnsetKind.SILENT: "The voltage at the plug of what fell silent, recorded together with the bus.",
    OnsetKind.REFUSED: "What the computer handed to its CAN adapter at that time, from a log of its own.",
    OnsetKind.FRAMES_DOUBTFUL: "The same traffic by a second recorder at the other end of the bus.",
    OnsetKind.VALUES_DOUBTFUL: "The same quantity measured in another way, while it is moved.",
    OnsetKind.STARTED_ANEW: "The voltage at the plug of the node, recorded faster than the node tells it.",
    OnsetKind.FROM_START: "The value or the message by another instrument, at the vehicle.",
    OnsetKind.STAMPS_DOUBTFUL: "The same traffic by a second recorder with a clock of its own.",
}


def deciding_measurement(one: EpisodeDiagnosis, table: CauseTable) -> str:
    """Return the one measurement that would decide an episode; "" where a root is named.

    The tie's own, or that of the two nearest; else what capture or spec lack and would count most for a
    cause that fits the rest of the evidence; else that which goes with how the episode began.
    """
    judgement = one.judgement
    if judgement.decision is Decision.ROOT or judgement.measure:
        return judgement.measure
    nearest = judgement.first[:2]
    for tie in nearest[0].cause.ties if len(nearest) > 1 else ():
        if tie.cause == nearest[1].cause.key:
            return tie.measure
    there = {evidence.atom for evidence in one.chain}
    missing = {lack.atom: lack for lack in one.lacks if lack.measure and lack.atom not in there}
    weights: dict[Atom, int] = {}
    for cause in table.causes.values():
        if _fits_the_rest(cause, one.evidence, one.chain):
            for item in _items(cause):
                lack = missing.get(item.atom)
                if lack and item.weight > 0 and (not lack.of or set(lack.of) & set(item.of)):
                    weights[item.atom] = max(item.weight, weights.get(item.atom, 0))
    if weights:
        return missing[max(weights, key=lambda atom: weights[atom])].measure
    return BY_ONSET[one.span.kinds[0]]


def _items(cause: Cause) -> Iterator[Item]:
    for group in cause.groups:
        yield from group.items


def _fits_the_rest(cause: Cause, evidence: tuple[Evidence, ...], chain: tuple[Evidence, ...]) -> bool:
    """Whether something that happened speaks for a cause, and nothing rules it out."""
    if any(item.weight == EXCLUDES and any(_meets(one, item) for one in evidence) for item in _items(cause)):
        return False
    return any(item.weight > 0 and any(_meets(one, item) for one in chain) for item in _items(cause))


def _meets(one: Evidence, item: Item) -> bool:
    return one.atom is item.atom and one.value in item.values and (not item.of or one.role in item.of)


def never_came(result: Inspection, spec: Spec) -> tuple[str, ...]:
    """Return the messages that the spec makes something of, and that the capture does not hold.

    Those of a bus whose messages came on another channel are there.
    """
    elsewhere = {bus for one in result.findings if one.kind == MISSING for bus in _buses(one)}
    refs = {(ref.bus, ref.message) for rule in spec.records for field in rule.fields for ref in field.sources}
    refs |= {(one.message.bus, one.message.message) for one in spec.manual.demands}
    missing = [one for one in result.messages if not one.count and one.bus not in elsewhere]
    return tuple(one.name for one in missing if (one.bus, one.name) in refs)


def _buses(misplaced: Finding) -> tuple[str, ...]:
    buses = misplaced.facts.get("buses", ())
    return buses if isinstance(buses, tuple) else ()


def unwatched(result: Inspection, spec: Spec) -> tuple[str, ...]:
    """Return the messages that came and whose silence is not checked, as no period is known of them.

    Of a multiplexed one the silence of its pages may be.
    """
    by_page = {(one.bus, one.message.name) for one in spec.selections if one.stale_after_ns is not None}
    unknown = {
        (rule.bus, rule.message.name)
        for rule in spec.messages
        if rule.trigger is Trigger.UNPROMISED and rule.stale_after_ns is None
    } - by_page
    return tuple(one.name for one in result.messages if one.count and (one.bus, one.name) in unknown)
