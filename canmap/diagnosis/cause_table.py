"""The table of causes as data: `causes.yaml`, read into rows, every mistake reported with line and key.

Nothing in a row is worked out here or in the table: it only says which evidence counts how much.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import FaultyFileError
from canmap.diagnosis.facts.evidence import VALUES, Atom, Role
from canmap.mapping.reading.marks import read_nodes
from canmap.mapping.reading.mistakes import Faults, Position
from canmap.mapping.reading.names import Names
from canmap.mapping.reading.sections import Context, Key, Section, made
from canmap.mapping.reading.shapes import integer, list_of, named, one_or_list, text, time_ns, word, yes_no

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.reading.marks import Node

TABLE = Path(__file__).with_name("causes.yaml")
EXCLUDES = -100  # a weight that no evidence makes up for
BASES = ("common practice", "from memory", "standard")


class Caution(StrEnum):
    """A caution that goes with a check at the vehicle, by its key in the table."""

    BLOCKED = "K1"
    ISOLATED = "K2"
    HANDS_CLEAR = "K3"
    CHOCKS = "K4"
    TRACTION_BATTERY = "K5"
    LISTEN_ONLY = "K6"
    NEVER_BRIDGE = "K7"
    WALKING_PACE = "K8"


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What one piece of evidence weighs.

    Attributes:
        atom: Of the evidence.
        of: Its role is one of these; none for whichever.
        values: Any of these values counts.
        within_ns: It has to be so close to the begin of the episode, None for anywhere in it.
        weight: Up to 3; negative where it speaks against, EXCLUDES where it rules out.
    """

    atom: Atom
    of: tuple[Role, ...]
    values: tuple[str, ...]
    within_ns: int | None
    weight: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceGroup:
    """Evidence that belongs together.

    Attributes:
        items: The evidence.
        adds: Each counts, as they confirm each other; else only the best of them, as they say the same.
    """

    items: tuple[Item, ...]
    adds: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """What to check at the vehicle.

    Attributes:
        text: What to do.
        cautions: What to mind.
    """

    text: str
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """Another cause that a capture alone may not tell from this one.

    Attributes:
        cause: Its key.
        measure: The one measurement that would.
    """

    cause: str
    measure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A row of the table.

    Attributes:
        key: Its name.
        statement: One plain sentence.
        basis: What it rests on.
        groups: The evidence for it, and in a last group that against.
        checks: What to check next.
        follows: Causes of which it is a consequence, where they hold.
        ties: Causes that may look the same.
        scored: Whether a simulated fault shows it, so that its weights have been measured.
    """

    key: str
    statement: str
    basis: str
    groups: tuple[EvidenceGroup, ...]
    checks: tuple[NextCheck, ...]
    follows: tuple[str, ...]
    ties: tuple[Tie, ...]
    scored: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseTable:
    """The whole table.

    Attributes:
        causes: The rows by key.
        cautions: Text of each caution.
    """

    causes: Mapping[str, Cause]
    cautions: Mapping[Caution, str]


_ATOM = Key("atom", word("a source of evidence", [atom.value for atom in Atom]), required=True)
_OF = Key("of", one_or_list(word("a role", [role.value for role in Role if role is not Role.ANY]), "roles"))
_WITHIN = Key("within", time_ns)


def _weight(node: Node, context: Context) -> int | None:
    if getattr(node, "text", "") == "excludes":
        return EXCLUDES
    return integer(-3, 4)(node, context)


_IS = Key(
    "is",
    one_or_list(word("a value of evidence", sorted({v for of in VALUES.values() for v in of})), "values"),
    required=True,
)
_WEIGHT = Key("weight", _weight, required=True)
_ITEM = Section("an item", (_ATOM, _OF, _IS, _WITHIN, _WEIGHT))


def _item(node: Node, context: Context) -> Item | None:
    values = _ITEM(node, context)
    if values is None or any(values.get(key) is None for key in (_ATOM, _IS, _WEIGHT)):
        return None
    atom, stated = Atom(values.get(_ATOM) or ""), values.get(_IS) or ()
    strange = [one for one in stated if one not in VALUES[atom]]
    for one in strange:
        known = context.faults.hint(one, VALUES[atom])
        context.faults.add(values.place_of(_IS), f"`{one}` is not a value of {atom.value}{known}")
    if strange:
        return None
    roles = tuple(map(Role, values.get(_OF) or ()))
    return Item(
        atom=atom, of=roles, values=stated, within_ns=values.get(_WITHIN), weight=values.get(_WEIGHT) or 0
    )


_ITEMS = list_of(_item, "items")
_BEST, _EACH = Key("best", _ITEMS), Key("each", _ITEMS)
_GROUP = Section("a group of evidence", (_BEST, _EACH))


def _group(node: Node, context: Context) -> EvidenceGroup | None:
    values = _GROUP(node, context)
    if values is None:
        return None
    if values.has(_BEST) == values.has(_EACH):
        context.faults.add(values.place, "A group has either `best` or `each`.")
        return None
    items = values.get(_EACH) if values.has(_EACH) else values.get(_BEST)
    return None if items is None else EvidenceGroup(items=items, adds=values.has(_EACH))


_CHECK = made(
    Section(
        "a check",
        (
            Key("do", text, required=True, field="text"),
            Key("cautions", list_of(word("a caution", [one.value for one in Caution]), "cautions")),
        ),
    ),
    lambda text, cautions=(): NextCheck(text=text, cautions=tuple(map(Caution, cautions))),
)
_TIE = made(Section("a tie", (Key("cause", text, required=True), Key("measure", text, required=True))), Tie)
_STATEMENT = Key("statement", text, required=True)
_BASIS = Key("basis", word("a basis", BASES), required=True)
_EVIDENCE = Key("evidence", list_of(_group, "groups"), required=True)
_AGAINST = Key("against", _ITEMS)
_NEXT = Key("next", list_of(_CHECK, "checks"), required=True)
_FOLLOWS = Key("follows", list_of(text, "causes"))
_TIES = Key("ties", list_of(_TIE, "ties"))
_SCORED = Key("scored", yes_no)
_ROW = Section("a cause", (_STATEMENT, _BASIS, _EVIDENCE, _AGAINST, _NEXT, _FOLLOWS, _TIES, _SCORED))
_CAUSES = Key("causes", named("the list of causes", _ROW), required=True)
_CAUTION_TEXTS = Key("cautions", named("the list of cautions", text), required=True)
_FILE = Section("the table of causes", (_CAUTION_TEXTS, _CAUSES))


@cache
def cause_table() -> CauseTable:
    """Return the table of this package, read once."""
    return read_causes(str(TABLE))


def read_causes(path: str) -> CauseTable:
    """Read a table of causes.

    Raises:
        FaultyFileError: It has mistakes; it holds all of them, each with its line.
    """
    faults = Faults()
    context = Context(faults, [], Names((), {}), file=path)
    root = read_nodes(path, faults)
    values = _FILE.values(root, context) if root is not None else None
    entries = (values.get(_CAUSES) if values else None) or ()
    known = {entry.key for entry in entries}
    causes: dict[str, Cause] = {}
    for entry in entries:
        row = entry.value
        against = row.get(_AGAINST) or ()
        cause = Cause(
            key=entry.key,
            statement=row.get(_STATEMENT) or "",
            basis=row.get(_BASIS) or "",
            groups=(
                *(row.get(_EVIDENCE) or ()),
                *([EvidenceGroup(items=against, adds=True)] if against else ()),
            ),
            checks=row.get(_NEXT) or (),
            follows=row.get(_FOLLOWS) or (),
            ties=row.get(_TIES) or (),
            scored=row.get(_SCORED) is not False,
        )
        for key, others in ((_FOLLOWS, cause.follows), (_TIES, tuple(tie.cause for tie in cause.ties))):
            for other in others:
                if other not in known:
                    text_ = f"`{key.name}` of {entry.key} names no cause `{other}`{faults.hint(other, known)}"
                    faults.add(row.place_of(key), text_)
        causes[entry.key] = cause
    texts = {entry.key: entry.value for entry in (values.get(_CAUTION_TEXTS) if values else None) or ()}
    if missing := [one.value for one in Caution if one.value not in texts]:
        faults.add(values.place_of(_CAUTION_TEXTS) if values else Position(path), f"No caution {missing[0]}.")
    if len(faults):
        raise FaultyFileError(faults.error().faults)
    return CauseTable(causes=causes, cautions={one: texts[one.value] for one in Caution})
