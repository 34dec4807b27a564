"""Where something stands in a spec, and the collector of everything that is wrong with it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import Fault, SpecError, readable
from canmap.base.unusable import Obstacle, unread
from canmap.base.words import listed, times

if TYPE_CHECKING:
    from collections.abc import Iterable

_MOST_FAULTS = 500  # a listing nobody reads; also bounds the time that a hostile file takes
_MOST_SUGGESTIONS = 100
_MOST_SHOWN = 60  # characters of a text that the user wrote
_MOST_NAMES = 16
_LEAST_LIKENESS = 0.6  # of two names, as difflib counts it
_SURE_LIKENESS = 0.75
_SHORTEST_BEGIN = 3


@dataclass(frozen=True, slots=True)
class Position:
    """A position in a file; line and column count from 1, 0 means the whole file or line."""

    file: str
    line: int = 0
    column: int = 0


def shown(text: str) -> str:
    """Return a text of the user in backticks, on one line and cut to a readable length."""
    flat = " ".join(text.split())
    return f"`{flat if len(flat) <= _MOST_SHOWN else flat[:_MOST_SHOWN] + '...'}`"


def unread_beside(text: str, path: str) -> str | None:
    """Return why a file that a spec names `text`, from its own folder, cannot be read, or None."""
    found = unread(path)
    if found is None:
        return None
    if found.obstacle is Obstacle.NOT_THERE:
        return f"There is no file {shown(text)}: the path is relative to this file."
    return f"{shown(text)}: {found.unread}."


def _alike(name: str, other: str) -> bool:
    """Tell whether one may be the other with a slip: much the same, a begin of it, or one letter off."""
    from difflib import SequenceMatcher  # noqa: PLC0415 - see `Faults.nearest`

    short, long = sorted((name, other), key=len)
    if len(short) < _SHORTEST_BEGIN:
        return len(long) <= _SHORTEST_BEGIN and short == long[: len(short)]
    return (
        long.startswith(short)
        or (len(short) == len(long) and sum(a != b for a, b in zip(short, long, strict=True)) == 1)
        or SequenceMatcher(None, name, other).ratio() >= _SURE_LIKENESS
    )


class Faults:
    """Collects the mistakes of a spec and all files that it names, to report them together."""

    def __init__(self) -> None:
        self._faults: list[Fault] = []
        self._seen: set[Fault] = set()
        self._once: set[str] = set()
        self._more = 0
        self._suggestions = 0

    def __len__(self) -> int:
        return len(self._faults) + self._more

    def add(self, place: Position, text: str) -> None:
        """Note one mistake; `text` is a sentence with its full stop."""
        self.extend((Fault(place.file, place.line, place.column, text),))

    def add_once(self, place: Position, text: str) -> None:
        """Note a mistake that is put right elsewhere: it is told only where it stands first."""
        self._once.add(readable(text))
        self.add(place, text)

    def extend(self, faults: Iterable[Fault]) -> None:
        """Note mistakes that another reader found."""
        for reported in faults:
            fault = replace(reported, text=readable(reported.text))
            if fault in self._seen:
                continue
            self._seen.add(fault)
            if len(self._faults) >= _MOST_FAULTS:
                self._more += 1
                continue
            self._faults.append(fault)

    def hint(self, name: str, known: Iterable[str]) -> str:
        """Return the end of a sentence: the nearest of the names that exist, else all of a few."""
        names = list(dict.fromkeys(known))
        return self.ending(self.nearest(name, names), names)

    def ending(self, near: str | None, names: list[str]) -> str:
        """Return the end of a sentence about a name that is none of `names`; see `hint`."""
        if near:
            return f"; did you mean `{near}`?"
        if self._suggestions > _MOST_SUGGESTIONS or not 0 < len(names) <= _MOST_NAMES:
            return "."
        return f"; it is one of {listed(names)}." if len(names) > 1 else f"; there is only `{names[0]}`."

    def nearest(self, name: str, names: Iterable[str]) -> str | None:
        """Return the name that was probably meant; None where none is like it, and after many questions."""
        self._suggestions += 1
        if self._suggestions > _MOST_SUGGESTIONS:
            return None
        from difflib import get_close_matches  # noqa: PLC0415 - 10 ms that a good spec need not pay

        by_folded = {candidate.casefold(): candidate for candidate in reversed(list(names))}
        folded = name[:_MOST_SHOWN].casefold()
        near = get_close_matches(folded, list(by_folded), 3, _LEAST_LIKENESS)
        return next((by_folded[one] for one in near if _alike(folded, one)), None)

    def error(self) -> SpecError:
        """Return the error that holds what was collected, by file and position."""
        order = {
            file: index for index, file in enumerate(dict.fromkeys(fault.file for fault in self._faults))
        }
        faults = sorted(self._faults, key=lambda fault: (order[fault.file], fault.line, fault.column))
        first = {fault.text: fault for fault in reversed(faults)}
        faults = [one for one in faults if one.text not in self._once or one is first[one.text]]
        if self._more:
            reported = f"There {'is' if self._more == 1 else 'are'} {times(self._more, 'more mistake')}."
            faults.append(Fault(faults[0].file, 0, 0, reported))
        return SpecError(tuple(faults))
