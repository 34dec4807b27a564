"""Records as lines of JSON, all kinds in the order of their frames; at the end changes and findings.

A line of a record: {"record": NAME, "t_s", "stamp_ns", every field in SI, null where not valid}. `age_s` has
the ages of those fields alone whose value came with another frame, null where none ever came; `out_of_range`
lists the fields outside their range; each is left out where it would be empty. A line of a change or of a
finding has that one key, `change` or `finding`, and in it what the JSON of an inspection has.
"""

from __future__ import annotations

import json
from typing import IO, TYPE_CHECKING

import numpy as np

from canmap.outputs.tables.cell_texts import age_texts, time_texts, value_texts
from canmap.outputs.tables.table_columns import exported_fields, require_apart

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from canmap.records.columns import RecordChunk
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import About, Step
    from canmap.vocabulary.record_types import FieldType

OWN_KEYS = ("record", "t_s", "stamp_ns", "age_s", "out_of_range")


class JsonLines:
    """Writes everything that is exported to one file.

    Args:
        files: The file, open for writing.

    Attributes:
        rows: How many records of each kind were written.
    """

    def __init__(self, files: Mapping[str, IO[bytes]]) -> None:
        (self._file,) = files.values()
        self._fields: dict[str, Mapping[str, FieldType]] = {}
        self._zero_ns = 0
        self.rows: dict[str, int] = {}

    def open(self, about: About) -> None:
        """Learn what records will come."""
        self._zero_ns = about.zero_ns
        self.rows = dict.fromkeys(about.records, 0)
        for rule in about.spec.records:
            if rule.name in self.rows:
                self._fields[rule.name] = exported_fields(rule)
                require_apart(rule.name, [*OWN_KEYS, *self._fields[rule.name]])

    def write(self, step: Step) -> None:
        """Write the records of a step, by frame, those of one frame in the order of the spec."""
        lines: list[str] = []
        for chunk in step.records:
            self.rows[chunk.name] += len(chunk)
            lines += self._lines(chunk)
        if len(step.records) > 1:
            frames = np.concatenate([chunk.frame for chunk in step.records])
            lines = [lines[i] for i in np.argsort(frames, kind="stable").tolist()]
        self._file.write("".join(lines).encode())

    def close(self, *, whole: bool) -> None:
        """Nothing waits to be written."""

    def conclude(self, result: Inspection) -> None:
        """Write what is known at the end only: changes, with how long they held, and findings."""
        told = result.to_json()
        for key, rows in (("change", told["changes"]), ("finding", told["findings"])):
            for row in rows:
                if key == "finding" or row["record"] in self.rows:
                    line = json.dumps({key: row}, allow_nan=False, separators=(",", ":"))
                    self._file.write(f"{line}\n".encode())

    def _lines(self, chunk: RecordChunk) -> list[str]:
        columns = [time_texts(chunk.clock_ns, self._zero_ns), list(map(str, chunk.stamp_ns.tolist()))]
        for name, column in chunk.columns.items():
            columns.append(value_texts(column, self._fields[chunk.name][name], "null", '"').tolist())
        keys = "".join(f',"{name}":%s' for name in chunk.columns)
        form = f'{{"record":"{chunk.name}","t_s":%s,"stamp_ns":%s{keys}%s}}\n'
        return [form % row for row in zip(*columns, _tails(chunk), strict=True)]


def _tails(chunk: RecordChunk) -> list[str]:
    """Return the ages and what is out of range of each record, as its line ends."""
    ages = {name: column for name, column in chunk.columns.items() if column.age_ns.any()}
    texts = {name: age_texts(column, "null") for name, column in ages.items()}
    tails = np.full(len(chunk), "", object)
    for names, rows in _alike({name: column.age_ns != 0 for name, column in ages.items()}):
        form = ',"age_s":{' + ",".join(f'"{name}":%s' for name in names) + "}"
        tails[rows] = [
            form % row for row in zip(*(texts[name][rows].tolist() for name in names), strict=True)
        ]
    flags = {name: column.flagged for name, column in chunk.columns.items() if column.flagged.any()}
    for names, rows in _alike(flags):
        tails[rows] += ',"out_of_range":[' + ",".join(f'"{name}"' for name in names) + "]"
    made: list[str] = tails.tolist()
    return made


def _alike(marks: Mapping[str, NDArray[np.bool_]]) -> Iterator[tuple[list[str], NDArray[np.intp]]]:
    """Yield each set of names that some rows are marked with, but for the empty one, and these rows."""
    if not marks:
        return
    bits = np.packbits(np.stack(list(marks.values()), axis=1), axis=1)
    sets, place = np.unique(bits, axis=0, return_inverse=True)
    for number, one in enumerate(np.unpackbits(sets, axis=1, count=len(marks)).astype(np.bool_)):
        if one.any():
            yield [name for name, has in zip(marks, one, strict=True) if has], np.flatnonzero(place == number)
