"""When the states, the yes or no and the codes of records changed, in memory that does not grow.

A change goes from the last valid value of a field to its next valid one, and has the time of the record
that first has that: where a field is empty for a while, nothing changes before it has a value again, and
nothing at all if that is the same. The first valid value of a field is where it starts, and no change.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Self

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.records.change import Change

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.model import FieldRule, RecordRule
    from canmap.records.columns import FieldColumn
    from canmap.stream.view import View

LISTED_CHANGES = 200  # of each field; the rest is counted


@dataclass(frozen=True, slots=True)
class Course:
    """What changed.

    Attributes:
        changes: The first `LISTED_CHANGES` of each field, by time; of one time in the order of the spec.
        counts: How often each field changed that is a choice, all counted, as "stop.pressed"; 0 for never.
    """

    changes: tuple[Change, ...]
    counts: Mapping[str, int]


class StateChanges:
    """The changes of every field that is a choice.

    Args:
        rules: The records of a spec.
    """

    patience = 0  # a change is told as soon as it is known

    def __init__(self, rules: Iterable[RecordRule]) -> None:
        self._fields = [
            _FieldChanges(rule.name, one)
            for rule in rules
            for one in rule.fields
            if one.type.kind is not float
        ]
        self._fresh: list[Change] = []

    @property
    def parts(self) -> tuple[Self]:
        """Itself."""
        return (self,)

    def fold(self, views: Sequence[View]) -> None:
        """Take in the records of some chunks."""
        for view in views:
            for one in self._fields:
                chunk = view.records.get(one.record)
                if chunk is not None:
                    self._fresh += one.fold(chunk.columns[one.rule.type.name], chunk.clock_ns)

    def fresh(self) -> tuple[Change, ...]:
        """Return what is listed and came since the last call, by time; none knows yet how long it holds."""
        fresh, self._fresh = self._fresh, []
        return tuple(sorted(fresh, key=_time)) if fresh else ()

    def result(self) -> Course:
        """Return what changed so far."""
        listed = [change for one in self._fields for change in one.listed()]
        counts = {f"{one.record}.{one.rule.type.name}": one.count for one in self._fields}
        return Course(tuple(sorted(listed, key=_time)), counts)


def _time(change: Change) -> int:
    return change.clock_ns


@dataclass(slots=True)
class _FieldChanges:
    """The changes of one field.

    Attributes:
        record: Its record.
        rule: What it is made of.
        count: How often it changed.
        last: Its last valid value, None before the first.
        values: Its first value, then what it changed to, as often as there are `clocks`.
        clocks: When; one more than is listed, as that tells how long the last listed value held.
    """

    record: str
    rule: FieldRule
    count: int = 0
    last: int | None = None
    values: list[int] = field(default_factory=list)
    clocks: list[int] = field(default_factory=list)

    def fold(self, column: FieldColumn, clock: NDArray[np.int64]) -> Iterable[Change]:
        """Take in the next records, and return their changes as far as they are listed."""
        values = column.values
        if self.last is not None and bool((values == self.last).all()):
            return ()
        good = None if column.valid.all() else np.flatnonzero(column.valid)
        values = values if good is None else values[good]
        if not len(values):
            return ()
        if self.last is None:
            self.values.append(values[0].item())
            self.last = self.values[0]
        differs = np.empty(len(values), np.bool_)
        differs[0] = values[0] != self.last
        np.not_equal(values[1:], values[:-1], out=differs[1:])
        self.last = values[-1].item()
        self.count += int(np.count_nonzero(differs))
        before = len(self.clocks)
        if before <= LISTED_CHANGES:
            listed = np.flatnonzero(differs)[: LISTED_CHANGES + 1 - before]
            self.values += values[listed].tolist()
            self.clocks += clock[listed if good is None else good[listed]].tolist()
        return [self._change(number) for number in range(before, min(len(self.clocks), LISTED_CHANGES))]

    def listed(self) -> Iterator[Change]:
        """Yield the listed changes, with how long each value held."""
        for number in range(min(len(self.clocks), LISTED_CHANGES)):
            yield self._change(number, next(iter(self.clocks[number + 1 : number + 2]), None))

    def _change(self, number: int, until_ns: int | None = None) -> Change:
        kind = self.rule.type.kind
        before, after = (kind(value) for value in self.values[number : number + 2])
        return Change(
            record=self.record,
            field=self.rule.type.name,
            source=self.rule.sources[0],
            number=number + 1,
            clock_ns=self.clocks[number],
            before=before,
            after=after,
            until_ns=until_ns,
            labels=self.rule.labels,
        )
