"""Sections of a spec: mappings with known keys, read into typed values.

A reader takes a node and the `Context` and returns the value, or None after it has noted what is wrong.
A `Section` is the reader of a mapping with known keys; a `Key` names one, with its reader, and gives the
typed value back out of the `SectionValues` that the section returns.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Generic, TypeVar, cast

from canmap.base.dataclass import dataclass
from canmap.base.words import listed
from canmap.mapping.reading.marks import Entries, Items, Node, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.names import FoundMessage, FoundSignal

if TYPE_CHECKING:
    from canmap.mapping.notes import Note
    from canmap.mapping.reading.mistakes import Faults, Position
    from canmap.mapping.reading.names import Names
    from canmap.vocabulary.record_types import Record

MESSAGE = "message"  # the one that a section is about
WHOLE = "spec"  # some part of the spec

OTHER_WORDS = {  # of the trade for keys, without _
    "cycle": "period",
    "cycletime": "period",
    "interval": "period",
    "timeout": "stale_after",
    "crc": "checksum",
    "baudrate": "bit_rate",
    "dbc": "description",
    "database": "description",
    "interface": "channel",
    "factor": "scale",
    "limits": "range",
}

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


@dataclass(frozen=True)
class Context:
    """What readers need besides the node.

    Attributes:
        faults: Takes what is wrong.
        notes: Takes what the user should know.
        names: Of the descriptions.
        message: The message that the section is about, whose signals may be named without it.
        subject: What a note says it is about, "" for none.
        file: The file of the spec; a note names another file beside the line.
        records: The records of the spec by name, with their types; None for a type that is not known.
        mapped: The fields that records of the spec map, by record; one whose fields are faulty is missing.
        lost: Sections and other things that could not be read (`MESSAGE`, `WHOLE`), so that nothing is
            reported that only follows from their absence.
    """

    faults: Faults
    notes: list[Note]
    names: Names
    message: FoundMessage | None = None
    subject: str = ""
    file: str = ""
    records: Mapping[str, type[Record] | None] = field(default_factory=dict)
    mapped: Mapping[str, Collection[str]] = field(default_factory=dict)
    lost: frozenset[str] = frozenset()

    def line(self, place: Position) -> str:
        """Return how a note names a place: "line 14", with the file if it is a fragment."""
        fragment = self.fragment(place)
        return f"line {place.line}" + (f" of {fragment}" if fragment else "")

    def fragment(self, place: Position) -> str:
        """Return the file of a place if it is a fragment; empty for the spec itself."""
        return "" if place.file == self.file else place.file


Reader = Callable[[Node, Context], T | None]


@dataclass(frozen=True)
class Key(Generic[T_co]):
    """A key of a section.

    Attributes:
        name: As written.
        read: Reader of its value.
        required: Whether leaving it out is a fault.
        field: What the model calls it, "" for the same name.
    """

    name: str
    read: Callable[[Node, Context], T_co | None]
    required: bool = False
    field: str = ""


@dataclass(frozen=True)
class SectionValues:
    """What a section held; get values by their `Key`.

    Attributes:
        place: Of the section.
        read: By key that stands there, None for a faulty value.
        nodes: By key, the name and the value as they were written.
        lost: Whether a key has no meaning, so that it may stand for one that is missing.
    """

    place: Position
    read: dict[str, object]
    nodes: dict[str, tuple[Scalar, Node]]
    lost: bool = False

    def get(self, key: Key[T]) -> T | None:
        """Return the value, None where the key is not there or its value was faulty."""
        return cast("T | None", self.read.get(key.name))

    def has(self, key: Key[object]) -> bool:
        """Tell whether the key stands there, with a faulty value too."""
        return key.name in self.nodes

    def node_of(self, key: Key[object]) -> Node | None:
        """Return the value as it was written, None where the key does not stand there."""
        return self.nodes[key.name][1] if key.name in self.nodes else None

    def place_of(self, key: Key[object], *item: int | str) -> Position:
        """Return the place of the key's value, of an item in it, of the section where it is not there."""
        if key.name not in self.nodes:
            return self.place
        node = self.nodes[key.name][1]
        for part in item:
            if isinstance(part, int) and isinstance(node, Items):
                node = node.items[part]
            elif isinstance(part, str) and isinstance(node, Entries):
                node = node.pairs[part][1]
        return node.place


@dataclass(frozen=True)
class Section:
    """Reader of a mapping with known keys.

    Attributes:
        what: For sentences, with its article: "a message".
        keys: The keys, in the order in which they are read.
        is_file: Whether it is all that a file holds, so that the file may be the wrong one.
    """

    what: str
    keys: tuple[Key[object], ...]
    is_file: bool = False

    def __call__(self, node: Node, context: Context) -> SectionValues | None:
        """Read the mapping, note unknown and missing keys."""
        first = next((key for key in self.keys if key.required), self.keys[0])
        entries = mapping(node, context, self.what, f"`{first.name}: ...`")
        return None if entries is None else self.values(entries, context)

    def values(self, entries: Entries, context: Context) -> SectionValues:
        """Read the entries; see `__call__`."""
        needed = [key.name for key in self.keys if key.required]
        if self.is_file and self._is_of_another(entries, needed):
            lacks = listed([f"`{name}`" for name in needed], "and")
            text = f"This is not {self.what}, which needs {lacks}: is it the wrong file?"
            context.faults.add(entries.place, text)
            return SectionValues(entries.place, {}, {}, lost=True)
        entries = meant(entries, self._names, self.what, context.faults, needed)
        lost = any(name not in self._names for name in entries.pairs)
        read = {
            key.name: self._read_key(key, entries, context, lost)
            for key in self.keys
            if key.required or key.name in entries.pairs
        }
        nodes = {name: pair for name, pair in entries.pairs.items() if name in self._names}
        return SectionValues(entries.place, read, nodes, lost)

    def _is_of_another(self, entries: Entries, needed: list[str]) -> bool:
        """Whether a file has no key that it needs, and most of its keys are none."""
        names = entries.pairs.keys()
        return len(names) > 1 and names.isdisjoint(needed) and 2 * len(names - set(self._names)) > len(names)

    @functools.cached_property
    def _names(self) -> list[str]:
        return [key.name for key in self.keys]

    def _read_key(self, key: Key[object], entries: Entries, context: Context, lost: bool) -> object:
        pair = entries.pairs.get(key.name)
        if pair is None:
            if key.required and not lost:  # else reported with the key that has no meaning
                context.faults.add(entries.place, f"{self.what.capitalize()} needs the key `{key.name}`.")
            return None
        scalar, node = pair
        if isinstance(node, Scalar) and not node.text and not node.quoted:
            context.faults.add(scalar.place, f"`{key.name}` has no value.")
            return None
        return key.read(node, context)


def made(section: Section, make: Callable[..., T]) -> Reader[T]:
    """Make the reader of a section that becomes what the model has; None where a needed value was faulty.

    Args:
        section: The section.
        make: Makes it of the values by the names that the model has for the keys, `Key.field`.
    """

    def read(node: Node, context: Context) -> T | None:
        values = section(node, context)
        if values is None or any(values.get(key) is None for key in section.keys if key.required):
            return None
        named = {key.field or key.name: modelled(values.get(key)) for key in section.keys}
        return make(**{name: value for name, value in named.items() if value is not None})

    return read


def modelled(value: object) -> object:
    """Return a value as the model has it: of what the spec names how the engine names it."""
    if isinstance(value, tuple):
        return tuple(modelled(item) for item in value)
    if isinstance(value, FoundMessage | FoundSignal):
        return value.ref
    return value.text if isinstance(value, Scalar) else value


def meant(
    entries: Entries,
    known: Sequence[str],
    what: str,
    faults: Faults,
    needed: Sequence[str] = (),
    kind: str = "key",
) -> Entries:
    """Tell the keys of a mapping that it cannot have, and take each for the missing one that is like it.

    So the mistake is reported, those below it too, and nothing that only follows from it.

    Args:
        entries: The mapping.
        known: Its keys.
        what: For sentences, with its article: "a message".
        faults: Takes the keys that are none.
        needed: The keys that it must have; a key that is like none may stand for one that is missing.
        kind: How a sentence calls what it cannot have.
    """
    entries = renamed(entries, known, what, faults, kind)
    missing = [f"`{name}`" for name in needed if name not in entries.pairs]
    for name, (scalar, _) in entries.pairs.items():
        if name not in known:
            needs = f", and needs {listed(missing, 'and')}." if missing else faults.hint(name, known)
            faults.add(scalar.place, f"{_first_up(what)} has no {kind} {shown(name)}{needs}")
            missing = []
    return entries


def renamed(entries: Entries, known: Sequence[str], what: str, faults: Faults, kind: str = "key") -> Entries:
    """Do for keys that are like a missing one what `meant` does, and leave all others as they are."""
    if all(name in known for name in entries.pairs):
        return entries
    pairs: dict[str, tuple[Scalar, Node]] = {}
    for name, pair in entries.pairs.items():
        near = None if name in known else _by_another_word(name, known) or faults.nearest(name, known)
        if near is None or near in entries.pairs or near in pairs:
            pairs[name] = pair
        else:
            text = f"{_first_up(what)} has no {kind} {shown(name)}{faults.ending(near, [])}"
            faults.add(pair[0].place, text)
            pairs[near] = pair
    return Entries(entries.place, pairs)


def _by_another_word(name: str, known: Sequence[str]) -> str | None:
    """Return the key of `known` for which the trade has another word, too; None where it is none of them."""
    key = OTHER_WORDS.get(name.casefold().replace("_", "").replace("-", ""))
    return key if key in known else None


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def mapping(node: Node, context: Context, what: str, example: str = "") -> Entries | None:
    """Read a mapping as it is; for what is none, `example` shows an entry."""
    if isinstance(node, Entries):
        return node
    such = f", such as {example}" if example else ""
    context.faults.add(node.place, f"{what.capitalize()} must be a mapping of `key: value`{such}.")
    return None


def scalar(node: Node, context: Context, what: str) -> Scalar | None:
    """Read a scalar as it is."""
    if isinstance(node, Scalar) and (node.text or node.quoted):
        return node
    context.faults.add(node.place, f"This must be {what}, not {_kind(node)}.")
    return None


def _kind(node: Node) -> str:
    return "a list" if isinstance(node, Items) else "a mapping" if isinstance(node, Entries) else "nothing"
