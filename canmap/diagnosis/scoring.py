"""Which cause the evidence speaks for: scores of all rows, roots and consequences, ties, or none."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.diagnosis.cause_table import EXCLUDES

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from canmap.diagnosis.cause_table import Cause, CauseTable, Item
    from canmap.diagnosis.facts.evidence import Evidence

LEAST_POINTS = 3.0  # points of a cause that may be named
HOLDS = 2.0  # points of one that others may follow from
APART = 2.0  # points by which it has to lead
SURE = 0.5  # evidence that chance gives more often than that counts nothing


class Decision(StrEnum):
    """How a diagnosis ends."""

    ROOT = "root"  # one cause
    TIE = "tie"  # two that a capture alone may not tell apart
    UNDETERMINED = "undetermined"


@dataclass(frozen=True, slots=True)
class Weighed:
    """An item of the table that evidence met.

    Attributes:
        item: The item.
        evidence: The evidence.
        points: What it counts here; negative against.
        counts: Whether it is in the sum: of alternatives only the best is.
        rests_on: It is one of the alternatives that the cause rests on.
    """

    item: Item
    evidence: Evidence
    points: float
    counts: bool
    rests_on: bool = False


@dataclass(frozen=True, slots=True)
class Scored:
    """A cause with what speaks for and against it.

    Attributes:
        cause: The row.
        points: Sum, negative infinity where something rules it out.
        weighed: What it is made of.
    """

    cause: Cause
    points: float
    weighed: tuple[Weighed, ...]

    @property
    def speaks_for(self) -> tuple[Weighed, ...]:
        """What counts for it."""
        return tuple(one for one in self.weighed if one.points > 0 and one.counts)

    @property
    def speaks_against(self) -> tuple[Weighed, ...]:
        """What counts against it."""
        return tuple(one for one in self.weighed if one.points < 0)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the table makes of the evidence.

    Attributes:
        decision: Whether a root is named.
        first: The root, both of a tie, or the best of what is not decided; the best first.
        follows: Causes that hold as consequences of a root.
        ranked: Every cause with points, the best first.
        measure: What would break the tie, "" where nothing is known.
    """

    decision: Decision
    first: tuple[Scored, ...]
    follows: tuple[Scored, ...]
    ranked: tuple[Scored, ...]
    measure: str


def judged(evidence: Iterable[Evidence], table: CauseTable, begin_ns: int) -> Judgement:
    """Return what the table makes of the evidence on an episode that begins then."""
    known = tuple(evidence)
    scored = [_scored(cause, known, begin_ns) for cause in table.causes.values()]
    ranked = sorted((one for one in scored if one.points > 0), key=lambda one: -one.points)
    holding = {one.cause.key for one in ranked if one.points >= HOLDS and not one.cause.follows}
    follows = tuple(one for one in ranked if one.points >= LEAST_POINTS and holding & set(one.cause.follows))
    rivals = [one for one in ranked if one not in follows]
    decision, first, measure = _decided(rivals)
    return Judgement(decision, first, follows, tuple(ranked), measure)


def _decided(rivals: Sequence[Scored]) -> tuple[Decision, tuple[Scored, ...], str]:
    """Name a root, a tie of two, or none.

    A root is named alone only if it leads, and if something speaks against each of those that look like it:
    what nobody has looked at is not ruled out. What can only follow from something is no root.
    """
    if not rivals or rivals[0].points < LEAST_POINTS or rivals[0].cause.follows:
        return Decision.UNDETERMINED, tuple(rivals[:2]), ""
    best, *others = rivals
    ties = {tie.cause: tie.measure for tie in best.cause.ties}
    others = [one for one in others if not one.cause.follows]  # a mere consequence is no rival
    near = [one for one in others if best.points - one.points < APART or _is_open(one, ties)]
    if not near:
        return Decision.ROOT, (best,), ""
    measure = next((ties[one.cause.key] for one in near if one.cause.key in ties), "")
    if len(near) == 1:
        return Decision.TIE, (best, near[0]), measure
    return Decision.UNDETERMINED, (best, *near), measure


def _is_open(one: Scored, ties: Collection[str]) -> bool:
    """Whether a cause that may look the same is there, and nothing speaks against it."""
    return one.cause.key in ties and not one.speaks_against


def _scored(cause: Cause, evidence: Sequence[Evidence], begin_ns: int) -> Scored:
    weighed: list[Weighed] = []
    for group in cause.groups:
        met = [one for item in group.items if (one := _met(item, evidence, begin_ns)) is not None]
        best = max(met, key=lambda one: one.points, default=None)
        if best is None and not group.adds:
            return Scored(cause, 0.0, ())  # what it rests on is not there
        weighed += [
            Weighed(one.item, one.evidence, one.points, group.adds or one is best, not group.adds)
            for one in met
        ]
    points = sum(one.points for one in weighed if one.counts)
    return Scored(cause, points, tuple(weighed))


def _met(item: Item, evidence: Sequence[Evidence], begin_ns: int) -> Weighed | None:
    """The strongest evidence that an item asks for."""
    fitting = [one for one in evidence if _fits(item, one, begin_ns)]
    if not fitting:
        return None
    strongest = max(fitting, key=lambda one: one.strength)
    points = item.weight * (1.0 if item.weight == EXCLUDES else strongest.strength)
    return Weighed(item, strongest, points, True)


def _fits(item: Item, one: Evidence, begin_ns: int) -> bool:
    if one.atom is not item.atom or one.value not in item.values or one.strength < SURE:
        return False
    if item.of and one.role not in item.of:
        return False
    return item.within_ns is None or abs(one.from_ns - begin_ns) <= item.within_ns
