"""Changes against a plain loop over the rows, with any values, any of them away, cut anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from canmap.summaries.changes import LISTED_CHANGES
from tests.streams import CART, TRUCK, VEHICLE, cuts, inspected, spec_of, streams

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.records.columns import Records
    from canmap.results.inspection import Inspection


def judged(chunks: list[FrameChunk], path: Path) -> Inspection:
    """The inspection with all records kept."""
    spec = spec_of(path)
    return inspected(chunks, spec, [rule.name for rule in spec.records])[0]


def looped(records: Records, field: str) -> list[tuple[float, object, object]]:
    """Time and values of every change of a field, row by row."""
    found: list[tuple[float, object, object]] = []
    last = None
    for one in records:
        value = getattr(one, field)
        if value is None:
            continue
        if last is not None and value != last:
            found.append((one.t_s, last, value))
        last = value
    return found


@given(st.data())
def test_changes_are_those_of_a_loop_over_the_rows(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    result = judged(whole.split(data.draw(cuts(whole))), path)
    times = [change.clock_ns for change in result.changes]
    assert times == sorted(times)
    for name, count in result.change_counts.items():
        record, _, field = name.partition(".")
        expected = looped(result.records[record], field)
        listed = [change for change in result.changes if change.name == name]
        told = [(result.seconds(one.clock_ns), one.before, one.after) for one in listed]
        assert (count, told) == (len(expected), expected[:LISTED_CHANGES])
        ends = [one.until_ns for one in listed]
        assert ends == [*(one.clock_ns for one in listed[1:]), None][: len(ends)]
