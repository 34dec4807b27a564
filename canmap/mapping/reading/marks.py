"""YAML text to plain nodes that know their place; the text of a scalar stays as it was written.

In comes a file, out comes a tree of `Scalar`, `Items` and `Entries`, without any guess at types: `off`,
`no`, `1:30`, `010` are texts here. What a spec has no use for is refused with its place: anchors and
aliases (and with them alias bombs), tags, several documents, double keys, tabs as indentation.
"""

from __future__ import annotations

import re
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import yaml

from canmap.base.dataclass import dataclass
from canmap.base.unusable import unusable
from canmap.mapping.reading.mistakes import Position, shown

if TYPE_CHECKING:
    from yaml._yaml import Mark as _LibYamlMark

    from canmap.mapping.reading.mistakes import Faults

LARGEST_FILE = 4 * 1024 * 1024  # bytes
DEEPEST_NESTING = 50
_ENDINGS = (".yaml", ".yml")
_DESCRIPTION = ".dbc"
_DOUBT = " Or is it the wrong file? Its name does not end in .yaml."
MOST_NODES = 100_000  # bounds the time that a hostile file takes

_LOADER: type[yaml.SafeLoader] | type[yaml.CSafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_UNWANTED = re.compile(  # controls, what is no text, and marks of direction, which turn a text round
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
    "\ud800-\udfff\ufeff\ufffe\uffff]"
)
_WHOLE = re.compile(r"[+-]?\d{1,40}", re.ASCII)
_NO_BLANK = re.compile(r"([A-Za-z_][\w.]*):(\S.*)", re.ASCII)
_TAB_INDENT = re.compile(r"^ *(\t)[ \t]*[^ \t\r\n]", re.MULTILINE)

# What the YAML library says, its only way to tell mistakes apart, and what the user should do about it.
_ADVICE = (
    ("cannot start any token", "a text cannot start with this character: put it in quotes"),
    (
        "mapping values are not allowed",
        "a colon in the wrong place, or an earlier one without a blank behind it: check the indentation, "
        "or quote the text",
    ),
    ("expected ':'", "a key without its colon: check this line and the one above"),
    ("expected ',' or", "a bracket that is not closed, or a missing comma"),
    ("flow node", "a bracket that is not closed, or a missing comma"),
    ("unexpected end of stream", "a quote that is not closed"),
    ("expected <block end>", "an indentation that fits nothing above"),
    ("did not find expected key", "an indentation that fits nothing above, or a key without its colon"),
    ("expected '-' indicator", "an indentation that fits nothing above, or a list item without its dash"),
    ("undefined alias", "an alias, which a spec must not have"),
)


@dataclass(frozen=True, slots=True)
class Scalar:
    """A text.

    Attributes:
        place: Of its first character.
        text: As written, without its quotes.
        quoted: Whether it stood in quotes.
    """

    place: Position
    text: str
    quoted: bool = False


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    place: Position
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Entries:
    """A mapping: for each key its scalar, which has its place, and its value."""

    place: Position
    pairs: dict[str, tuple[Scalar, Node]]

    def value(self, key: str) -> Node | None:
        """Return the value of a key, None where there is none."""
        pair = self.pairs.get(key)
        return pair[1] if pair else None


Node = Scalar | Items | Entries


def joined(items: tuple[Node, ...]) -> tuple[Node, ...]:
    """Return the items of a list with those put together that a decimal comma broke apart: [1,5 m]."""
    whole: list[Node] = []
    for item in items:
        number = _with_comma(whole[-1], item) if whole else None
        if number is None:
            whole.append(item)
        else:
            whole[-1] = number
    return tuple(whole)


def _with_comma(first: Node, second: Node) -> Scalar | None:
    """Return "1,5 s" where it was read as `1` and `5 s`, without a blank at the comma; else None."""
    if not (isinstance(first, Scalar) and isinstance(second, Scalar)) or first.quoted or second.quoted:
        return None
    follows = (first.place.line, first.place.column + len(first.text) + 1)
    if not _WHOLE.fullmatch(first.text) or (second.place.line, second.place.column) != follows:
        return None
    return Scalar(first.place, f"{first.text},{second.text}") if second.text[:1].isdecimal() else None


def read_nodes(path: str, faults: Faults) -> Entries | None:
    """Read a YAML file into nodes.

    Returns:
        The top mapping, or None where the file cannot be used; `faults` then says why. Mistakes that leave
        the rest readable (a double key, an anchor) are noted in `faults`, and the rest is returned.
    """
    before = len(faults)
    ending = Path(path).suffix.lower()
    doubt = "" if ending in _ENDINGS else _DOUBT
    text = _read_text(path, doubt, faults)
    if text is None:
        return None
    if ending == _DESCRIPTION:
        begin = f"`vehicle: mine` and `buses: {{main: {{description: {Path(path).name}, channel: can0}}}}`"
        what = (
            f"By its name this is a bus description: give a spec that names it; {begin} are enough to begin."
        )
        faults.add(Position(path), what)
        return None
    for tab in _TAB_INDENT.finditer(text):
        faults.add(_place_at(path, text, tab.start(1)), f"A tab indents this line: use spaces.{doubt}")
        if doubt:  # a description is full of them
            break
    if len(faults) > before:
        return None
    builder = _Builder(path, faults)
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            if not builder.take(event):
                break
    except yaml.MarkedYAMLError as error:
        place, said = _syntax_fault(path, text, error)
        faults.add(place, said + doubt)
        return None
    return _top(path, builder.root, doubt, faults, before)


def _top(path: str, root: Node | None, doubt: str, faults: Faults, before: int) -> Entries | None:
    if isinstance(root, Entries):
        return root
    if len(faults) == before:
        if root is None or (isinstance(root, Scalar) and not root.text and not root.quoted):
            faults.add(Position(path), "The file is empty; it is made of `key: value` lines.")
        else:
            what = "The file is made of `key: value` lines, and this is something else."
            faults.add(root.place, what + doubt)
    return None


def _read_text(path: str, doubt: str, faults: Faults) -> str | None:
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        faults.add(Position(path), f"{unusable(error, path).unread}.")
        return None
    if len(data) > LARGEST_FILE:
        size = LARGEST_FILE // 1024**2
        faults.add(Position(path), f"The file is larger than {size} MB: too large for a spec.")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        good = data[: error.start].decode("utf-8-sig", errors="replace")
        what = "This is not UTF-8 text: save the file as UTF-8."
        faults.add(_place_at(path, good, len(good)), what + doubt)
        return None
    unwanted = _UNWANTED.search(text)
    if unwanted:
        code = f"U+{ord(unwanted[0]):04X}"
        faults.add(
            _place_at(path, text, unwanted.start()), f"The character {code} is not allowed in a text file."
        )
        return None
    return text


def _place_at(path: str, text: str, index: int) -> Position:
    return Position(path, text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index))


def _place_of(path: str, mark: yaml.Mark | _LibYamlMark | None) -> Position:
    return Position(path, mark.line + 1, mark.column + 1) if mark else Position(path)


def _syntax_fault(path: str, text: str, error: yaml.MarkedYAMLError) -> tuple[Position, str]:
    problem = error.problem or "it cannot be read"
    mark = error.problem_mark
    if mark and text[mark.index : mark.index + 1] == "\t":
        return _place_of(path, mark), "A tab indents this line: use spaces."
    stated = f"{error.context or ''} {problem}"
    advice = next((advice for part, advice in _ADVICE if part in stated), problem)
    return _place_of(path, error.problem_mark or error.context_mark), f"This is not valid YAML: {advice}."


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not come yet."""

    place: Position
    is_mapping: bool
    items: list[Node] = field(default_factory=list)
    pairs: dict[str, tuple[Scalar, Node]] = field(default_factory=dict)
    key: Node | None = None


class _Builder:
    """Puts the parser's events together, without recursion."""

    def __init__(self, path: str, faults: Faults) -> None:
        self.root: Node | None = None
        self._path = path
        self._faults = faults
        self._open: list[_Open] = []
        self._documents = 0
        self._referenced = False
        self._nodes = 0

    def take(self, event: yaml.Event) -> bool:
        """Take one event; return False where reading on makes no sense."""
        place = _place_of(self._path, event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._faults.add(place, "A second document starts here: a file holds one spec.")
                return False
        elif isinstance(event, yaml.AliasEvent):
            self._refuse_reference(place, "Aliases are not used in a spec: write the value out.")
            self._place_node(Scalar(place, "", quoted=True))
        elif isinstance(event, yaml.NodeEvent):
            return self._take_node(event, place)
        elif isinstance(event, yaml.CollectionEndEvent):
            done = self._open.pop()
            self._place_node(
                Entries(done.place, done.pairs) if done.is_mapping else Items(done.place, tuple(done.items))
            )
        return True

    def _refuse_reference(self, place: Position, text: str) -> None:
        """Report the first anchor or alias only: who uses them uses many."""
        if not self._referenced:
            self._faults.add(place, text)
        self._referenced = True

    def _take_node(self, event: yaml.NodeEvent, place: Position) -> bool:
        self._nodes += 1
        if self._nodes > MOST_NODES:
            self._faults.add(place, f"The file holds more than {MOST_NODES} values: too many for a spec.")
            return False
        if event.anchor is not None:
            self._refuse_reference(place, "Anchors are not used in a spec: write the value out.")
        tag: str | None = getattr(event, "tag", None)
        if tag is not None:
            self._faults.add(place, f"The tag {shown(tag)} has no meaning in a spec: leave it out.")
        if isinstance(event, yaml.ScalarEvent):
            if _UNWANTED.search(event.value):  # through an escape such as "\0"
                self._faults.add(place, "This text holds a character that is not allowed in a text file.")
                return False
            self._place_node(Scalar(place, event.value, quoted=event.style is not None and event.style != ""))
            return True
        if len(self._open) >= DEEPEST_NESTING:
            self._faults.add(place, f"The nesting is deeper than {DEEPEST_NESTING} levels.")
            return False
        self._open.append(_Open(place, isinstance(event, yaml.MappingStartEvent)))
        return True

    def _place_node(self, node: Node) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        if not parent.is_mapping:
            parent.items.append(node)
        elif parent.key is None:
            parent.key = node
        else:
            self._add_pair(parent, parent.key, node)
            parent.key = None

    def _add_pair(self, parent: _Open, key: Node, value: Node) -> None:
        if not isinstance(key, Scalar):
            self._faults.add(key.place, "A key is a plain text; this one is a list or a mapping.")
            return
        if value == Scalar(value.place, "") and (glued := _NO_BLANK.fullmatch(key.text)) and not key.quoted:
            self._faults.add(key.place, f"{shown(key.text)} lacks a blank behind its colon.")
            place = replace(key.place, column=key.place.column + glued.start(2))
            key, value = Scalar(key.place, glued[1]), Scalar(place, glued[2])
        if key.text in parent.pairs:
            first = parent.pairs[key.text][0].place.line
            self._faults.add(key.place, f"The key {shown(key.text)} is given twice; first on line {first}.")
        elif not self._broken_apart(parent, key, value):
            parent.pairs[key.text] = (key, value)

    @staticmethod
    def _broken_apart(parent: _Open, key: Scalar, value: Node) -> bool:
        """Put {time: 1,5 s} together, which YAML takes for {time: 1, 5 s: }; tell whether it was that."""
        if not parent.pairs or value != Scalar(value.place, ""):
            return False
        name, (last, before) = next(reversed(parent.pairs.items()))
        number = _with_comma(before, key)
        if number is not None:
            parent.pairs[name] = (last, number)
        return number is not None
