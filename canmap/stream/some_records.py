"""A sink that gets only some of the records of a run, where others get all."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection

    from canmap.stream.sink import About, Sink, Step


class SomeRecordsSink:
    """Hands the steps to another sink with some of their records.

    Args:
        sink: That other one.
        names: Names of the records.
    """

    def __init__(self, sink: Sink, names: Collection[str]) -> None:
        self._sink, self._names = sink, frozenset(names)

    def open(self, about: About) -> None:
        """Open the other sink."""
        self._sink.open(replace(about, records=tuple(name for name in about.records if name in self._names)))

    def write(self, step: Step) -> None:
        """Hand it the step."""
        records = tuple(chunk for chunk in step.records if chunk.name in self._names)
        self._sink.write(replace(step, records=records))

    def close(self, *, whole: bool) -> None:
        """Close the other sink."""
        self._sink.close(whole=whole)
