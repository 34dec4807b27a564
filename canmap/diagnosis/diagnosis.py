"""An episode to its diagnosis: evidence, causes, and the chain of what happened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.diagnosis.cause_table import cause_table
from canmap.diagnosis.facts.atoms import gathered, lacking
from canmap.diagnosis.facts.begins import begins_between
from canmap.diagnosis.facts.evidence import VALUES, Atom, Role
from canmap.diagnosis.facts.onset_times import began
from canmap.diagnosis.scoring import Decision, judged

if TYPE_CHECKING:
    from collections.abc import Collection

    from canmap.diagnosis.facts.atoms import Lack
    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.diagnosis.onsets import EpisodeSpan
    from canmap.diagnosis.scoring import Judgement
    from canmap.results.inspection import Inspection

HAPPENED = {Atom.REACH, Atom.DEMAND, Atom.KIT, Atom.STOP_CHAIN, Atom.SUPPLY, Atom.STRANGERS, Atom.PHYSICS}
HAPPENED |= {Atom.BUS, Atom.RECORDER, Atom.DESCRIPTION}
COUNTED = {
    "stands",
    "leaves_out",
    "two_at_once",
    "sent_twice",
    "holes",
}  # what counters show while it happens
QUIET_VALUES = {
    "on_time",
    "stayed_active",
    "not_concerned",
    "released",
    "there",
    "closed",
    "fed",
    "steady",
    "clean",
    "free",
}
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

    @property
    def seen_ns(self) -> int:
        """Session clock at its first sign, but no later than it had surely begun; what a page calls it by."""
        return min(max(self.span.begin_ns, self.begins_ns[0]), self.begins_ns[1])


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is known of all episodes of a capture.

    Attributes:
        result: The inspection.
        episodes: Those that were asked for, by begin.
        spec: Path of the spec.
        found: How many episodes the capture has, those included that were not asked for.
        never_came: Messages that the spec makes something of, and that the capture does not hold.
        unwatched: Messages that came and whose silence is not checked, as no period is known of them.
    """

    result: Inspection
    episodes: tuple[EpisodeDiagnosis, ...]
    spec: str
    found: int
    never_came: tuple[str, ...] = ()
    unwatched: tuple[str, ...] = ()


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
    """Return what of the evidence happened at a moment, by the time at which it was seen.

    What a named root rests on comes before whatever it may have preceded: a button is seen only with the
    next message of its bit, a silence from the last frame on.
    """
    happens = [one for one in evidence if one.atom in HAPPENED or one.value in COUNTED]
    happened = [one for one in happens if one.value not in QUIET_VALUES]
    first = judgement.first[:1] if judgement.decision is Decision.ROOT else ()
    core = {id(one.evidence) for scored in first for one in scored.weighed if one.rests_on and one.counts}
    onsets = {id(one): began(one, case) for one in happened}

    def seen_ns(one: Evidence) -> int:
        own = onsets[id(one)]
        if id(one) not in core:
            return own.by_ns
        return min((other.by_ns for other in onsets.values() if own.may_precede(other)), default=own.by_ns)

    def place(one: Evidence) -> tuple[int, ...]:  # of one moment: the button, the loop, the relay
        return (id(one) not in core, list(Role).index(one.role), VALUES[one.atom].index(one.value))

    return tuple(sorted(happened, key=lambda one: (seen_ns(one), place(one))))
