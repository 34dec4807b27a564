"""A diagnosis as JSON, its keys fixed (schema "canmap/diagnosis/1"; README.md says them)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canmap.diagnosis.cause_table import EXCLUDES, cause_table
from canmap.diagnosis.facts.onset_times import began
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.telling.amounts import amount_of
from canmap.diagnosis.telling.deciding import deciding_measurement
from canmap.diagnosis.telling.evidence_words import headline, sentence

if TYPE_CHECKING:
    from canmap.diagnosis.diagnosis import Diagnosis, EpisodeDiagnosis
    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.diagnosis.scoring import Scored, Weighed
    from canmap.results.inspection import Inspection

SCHEMA = "canmap/diagnosis/1"


def diagnosis_json(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis as the documented JSON object."""
    result = diagnosis.result
    return {
        "schema": SCHEMA,
        "vehicle": result.vehicle,
        "capture": result.to_json()["capture"],
        "spec": diagnosis.spec,
        "found": diagnosis.found,
        "episodes": [_episode(one, result) for one in diagnosis.episodes],
        "never_came": list(diagnosis.never_came),
        "verdict": result.verdict,
    }


def _episode(one: EpisodeDiagnosis, result: Inspection) -> dict[str, Any]:
    span, judgement, case = one.span, one.judgement, one.case
    return {
        "number": span.number,
        "start_s": result.seconds(span.begin_ns),
        "end_s": result.seconds(span.end_ns),
        "began_between_s": [result.seconds(moment) for moment in one.begins_ns],
        "start_at": result.capture.at(span.begin_ns),
        "began": [kind.value for kind in span.kinds],
        "text": headline(span),
        "outcome": judgement.decision.value,
        "causes": [_cause(scored, case) for scored in judgement.first],
        "follows": [_cause(scored, case) for scored in judgement.follows],
        "breaks_tie": deciding_measurement(one, cause_table()) or None,
        "chain": [_link(evidence, case) for evidence in one.chain],
        "evidence": [_evidence(evidence, case) for evidence in one.evidence],
        "not_available": [{"atom": lack.atom.value, "text": lack.text} for lack in one.lacks],
        "root": judgement.first[0].cause.key if judgement.decision is Decision.ROOT else None,
    }


def _cause(scored: Scored, case: CaseFile) -> dict[str, Any]:
    cause, cautions = scored.cause, cause_table().cautions
    return {
        "key": cause.key,
        "statement": cause.statement,
        "points": round(scored.points, 2),
        "basis": cause.basis,
        "scored": cause.scored,
        "for": [_weighed(one, case) for one in scored.speaks_for],
        "against": [_weighed(one, case) for one in scored.speaks_against],
        "next": [
            {
                "do": check.text,
                "cautions": [{"key": key.value, "text": cautions[key]} for key in check.cautions],
            }
            for check in cause.checks
        ],
    }


def _weighed(one: Weighed, case: CaseFile) -> dict[str, Any]:
    points = "excludes" if one.item.weight == EXCLUDES else round(one.points, 2)
    return {"points": points, **_evidence(one.evidence, case)}


def _link(one: Evidence, case: CaseFile) -> dict[str, Any]:
    """Return a link of the chain: evidence, and between which moments it began."""
    when = began(one, case)
    moments = (None if at_ns is None else case.result.seconds(at_ns) for at_ns in when)
    return {"between_s": list(moments), **_evidence(one, case)}


def _evidence(one: Evidence, case: CaseFile) -> dict[str, Any]:
    result, amount = case.result, amount_of(one, case)
    files = result.capture.files
    return {
        "atom": one.atom.value,
        "of": one.role.value,
        "is": one.value,
        "subject": one.subject or None,
        "from_s": result.seconds(one.from_ns),
        "to_s": result.seconds(one.to_ns),
        "strength": round(one.strength, 3),
        "amount": one.amount,
        "unit": amount.unit if amount else None,
        "names": list(one.names),
        "file": files[0] if len(files) == 1 and one.line is not None else None,
        "line": one.line,
        "text": sentence(one, case),
    }
