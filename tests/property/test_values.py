"""Fields of records and findings about values, against the slow twin in fractions, whatever the cut."""

from __future__ import annotations

import tempfile
from fractions import Fraction
from pathlib import Path

from hypothesis import assume, given
from hypothesis import strategies as st

from tests.kits import of_kind, row, spec_of
from tests.slow_values import MS, World
from tests.streams import frames, inspected


@given(st.integers(0, 2**40), st.integers(1, 9))
def test_every_value_is_that_of_exact_arithmetic(seed: int, step: int) -> None:
    world = World.drawn(seed)
    assume(not world.is_open)
    with tempfile.TemporaryDirectory() as folder:
        spec = spec_of(Path(folder), world.dbc, world.text, periods_ms={256: 10, 512: 20})
    whole = frames(row(t_ns / MS, can_id, payload) for t_ns, can_id, payload in world.rows)
    result, _ = inspected(whole.split(range(step, len(whole), step)), spec, ["r"])
    expected = world.expected()
    for name, column in result.records["r"].columns.items():
        assert column.valid.tolist() == [one.valid for one in expected[name]], name
        assert column.flagged.tolist() == [one.flagged for one in expected[name]], name
        good = [one for one in expected[name] if one.valid]
        for value, one in zip(column.values[column.valid].tolist(), good, strict=True):
            assert abs(Fraction(value) - one.value) <= one.slack, name
        span = result.record_summaries["r"].fields.get(name)
        if span is not None and good:
            values = [Fraction(value) for value in column.values[column.valid].tolist()]
            assert span.mean == float(sum(values) / len(values))
            assert span.low <= span.mean <= span.high
    counted = {kind: sum(f.count for f in of_kind(result, kind)) for kind in world.found()}
    assert counted == world.found()
