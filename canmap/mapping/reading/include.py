"""A spec and the fragments that it includes, merged into one tree of nodes.

In comes the path of a spec, out comes its top mapping without `include`. Fragments are merged in the
order of the list, each over the ones before, and the including file over all of them: later and outer
wins, leaf by leaf. A list is a leaf; a field in its short form is the mapping that has only `signal`.
Each node keeps the place of the file that it came from.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.mapping.reading.marks import Entries, Items, Scalar, read_nodes
from canmap.mapping.reading.mistakes import shown, unread_beside
from canmap.mapping.reading.sections import renamed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.mistakes import Faults

INCLUDE = "include"
_LARGEST_TOGETHER = 1024 * 1024  # bytes of all fragments; bounds the time that hostile ones take
_RECORD = ("records", "name")  # where fields stand
MOST_FRAGMENTS = 50  # in one spec, those of fragments too


def read_with_fragments(
    path: str, faults: Faults, known: Sequence[str] = ()
) -> tuple[Entries | None, tuple[str, ...]]:
    """Read a spec and merge in what it includes.

    Args:
        path: The spec.
        faults: Takes what is wrong.
        known: Keys at the top of a file; a key that is like one of them is reported and taken for it.

    Returns:
        The merged mapping, or None where the spec itself cannot be used; `faults` then says why. A
        fragment that cannot be used is a fault, and the rest is returned. And every file that was read.
    """
    includer = _Includer(faults, (INCLUDE, *known) if known else ())
    return includer.read(path), includer.files


class _Includer:
    """Reads each file once, however often and from wherever it is included."""

    def __init__(self, faults: Faults, known: Sequence[str]) -> None:
        self._faults = faults
        self._known = known
        self._done: dict[str, Entries | None] = {}
        self._underway: list[str] = []
        self._bytes = 0

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that was read."""
        return tuple(self._done)

    def read(self, path: str) -> Entries | None:
        resolved = _resolved(path)
        self._underway.append(resolved)
        own = read_nodes(path, self._faults)
        if own and self._known:
            own = renamed(own, self._known, "a spec", self._faults)
        merged = self._merged(path, own) if own else None
        self._underway.pop()
        self._done[resolved] = merged
        return merged

    def _merged(self, path: str, own: Entries) -> Entries:
        listing = own.value(INCLUDE)
        rest = Entries(own.place, {key: pair for key, pair in own.pairs.items() if key != INCLUDE})
        if listing is None:
            return rest
        if not isinstance(listing, Items):
            self._faults.add(listing.place, "`include` is a list of paths: write [limits.yaml].")
            return rest
        below = Entries(own.place, {})
        seen: set[str] = set()
        for item in listing.items:
            fragment = self._fragment(path, item, seen)
            if fragment is not None:
                below = _over(below, fragment)
        return _over(below, rest)

    def _fragment(self, path: str, item: Node, seen: set[str]) -> Entries | None:
        if not isinstance(item, Scalar) or not item.text:
            self._faults.add(item.place, "`include` lists paths, and this is not a path.")
            return None
        named = str(Path(path).parent / item.text)
        resolved = _resolved(named)
        if resolved in self._underway:
            self._faults.add(item.place, f"{shown(item.text)} includes itself, directly or through others.")
        elif resolved in seen:
            self._faults.add(item.place, f"{shown(item.text)} is included twice.")
        elif resolved in self._done:
            seen.add(resolved)
            return self._done[resolved]
        elif len(self._done) + len(self._underway) > MOST_FRAGMENTS:
            self._faults.add(item.place, f"A spec has at most {MOST_FRAGMENTS} fragments.")
        elif why := unread_beside(item.text, named):
            self._faults.add(item.place, why)
        elif self._takes_too_much(resolved):
            self._faults.add(item.place, "The fragments of a spec have at most 1 MB together: this is more.")
        else:
            seen.add(resolved)
            return self.read(named)
        return None

    def _takes_too_much(self, path: str) -> bool:
        self._bytes += Path(path).stat().st_size
        return self._bytes > _LARGEST_TOGETHER


def _resolved(path: str) -> str:
    """Return one name for a file by whatever path; the path itself where there is none."""
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):  # the folder in which this runs is gone; a name that no file can have
        return path


def _long(node: Node, other: Node) -> Node:
    """Return the short form of a field, where the other file has a mapping, as {signal: name}."""
    if isinstance(node, Scalar) and node.text and isinstance(other, Entries):
        return Entries(node.place, {"signal": (node, node)})
    return node


def _over(below: Entries, above: Entries, path: tuple[str, ...] = ()) -> Entries:
    """Lay `above` over `below`; mappings are merged, everything else is replaced.

    What `above` names comes first, in its order: a fragment's keys do not push in before the vehicle's.
    """
    pairs = {}
    is_record = len(path) == len(_RECORD) and path[0] == _RECORD[0]
    for key, (scalar, value) in above.pairs.items():
        under = below.value(key)
        if under is not None and is_record:
            value, under = _long(value, under), _long(under, value)  # noqa: PLW2901
        if isinstance(value, Entries) and isinstance(under, Entries):
            value = _over(under, value, (*path, key))  # noqa: PLW2901
        pairs[key] = (scalar, value)
    return Entries(above.place, pairs | {key: pair for key, pair in below.pairs.items() if key not in pairs})
