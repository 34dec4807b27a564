"""An episode to its diagnosis: evidence, causes, and the chain of what happened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.diagnosis.atoms import gathered, lacking
from canmap.diagnosis.begins import begins_between
from canmap.diagnosis.cause_table import cause_table
from canmap.diagnosis.evidence import Atom, Role
from canmap.diagnosis.scoring import Decision, judged

if TYPE_CHECKING:
    from collections.abc import Collection

    from canmap.diagnosis.atoms import Lack
    from canmap.diagnosis.case_file import CaseFile
    from canmap.diagnosis.evidence import Evidence
    from canmap.diagnosis.onsets import EpisodeSpan
    from canmap.diagnosis.scoring import Judgement
    from canmap.results.inspection import Inspection

TOO_CLOSE_NS = 150_000_000  # a page of slow state messages
HAPPENED = {Atom.REACH, Atom.DEMAND, Atom.KIT, Atom.STOP_CHAIN, Atom.SUPPLY, Atom.STRANGERS, Atom.PHYSICS}
HAPPENED |= {Atom.BUS, Atom.RECORDER, Atom.DESCRIPTION}
QUIET_VALUES = {"on_time", "stayed_active", "released", "there", "closed", "fed", "steady", "clean", "free"}
QUIET_VALUES |= {"constant", "varies", "yaw_agrees", "yaw_not_scaled", "yaw_one_before", "full"}
QUIET_VALUES |= {"to_the_end", "copy_went_on"}


@dataclass(frozen=True, slots=True)
class EpisodeDiagnosis:
    """What is known of an episode.

    Attributes:
        case: What was seen of it.
        evidence: All of it.
        judgement: The causes.
        chain: What happened, by time: evidence that has a moment.
        lacks: What capture or spec do not hold.
        begins_ns: Between which moments, session clock, it began.
    """

    case: CaseFile
    evidence: tuple[Evidence, ...]
    judgement: Judgement
    chain: tuple[Evidence, ...]
    lacks: tuple[Lack, ...]
    begins_ns: tuple[int, int]

    @property
    def span(self) -> EpisodeSpan:
        """The episode."""
        return self.case.span


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is known of all episodes of a capture.

    Attributes:
        result: The inspection.
        episodes: Those that were asked for, by begin.
        spec: Path of the spec.
        found: How many episodes the capture has, those included that were not asked for.
    """

    result: Inspection
    episodes: tuple[EpisodeDiagnosis, ...]
    spec: str
    found: int


def diagnosed(case: CaseFile) -> EpisodeDiagnosis:
    """Return the diagnosis of an episode."""
    evidence = gathered(case)
    judgement = judged(evidence, cause_table(), case.begin_ns)
    chain = chain_of(evidence, judgement, case)
    return EpisodeDiagnosis(case, evidence, judgement, chain, lacking(case), begins_between(case, evidence))


def without(one: EpisodeDiagnosis, sources: Collection[Atom]) -> Judgement:
    """Return what the table makes of an episode where some sources of evidence are taken away."""
    left = [evidence for evidence in one.evidence if evidence.atom not in sources]
    return judged(left, cause_table(), one.span.begin_ns)


def chain_of(evidence: tuple[Evidence, ...], judgement: Judgement, case: CaseFile) -> tuple[Evidence, ...]:
    """Return what of the evidence happened at a moment, by time.

    What a named root rests on comes first where messages are too far apart to tell: a button is seen only
    with the next message of its bit, a silence from the last frame on.
    """
    happened = [one for one in evidence if one.atom in HAPPENED and one.value not in QUIET_VALUES]
    first = judgement.first[:1] if judgement.decision is Decision.ROOT else ()
    core = {id(one.evidence) for scored in first for one in scored.weighed if one.rests_on}

    def moment(one: Evidence) -> int:
        too_close = id(one) in core and one.from_ns - case.begin_ns <= TOO_CLOSE_NS
        return min(one.from_ns, case.begin_ns - 1) if too_close else one.from_ns

    roles = list(Role)  # of one moment: the button, the loop, the relay
    return tuple(sorted(happened, key=lambda one: (moment(one), roles.index(one.role))))
