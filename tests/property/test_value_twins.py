"""The checks of values find, over any stream and any cutting, what a plain walk over its frames finds."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import kits, values
from tests.finding_numbers import lacking
from tests.streams import cuts, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection
    from tests.values import Sent, Verdict

    Twins = Mapping[str, Callable[[list[Sent]], Iterable[Verdict]]]


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> Spec:
    text = values.RECORDS + values.AXES + values.REDUNDANT
    return kits.spec_of(tmp_path_factory.mktemp("kit"), values.KIT, text, periods_ms=values.PERIODS_MS)


@pytest.fixture(scope="module")
def of_demand(tmp_path_factory: pytest.TempPathFactory) -> Spec:
    text = values.RECORDS.replace(values.WHILE_SPEED, values.WHILE_DEMAND) + values.AXES
    return kits.spec_of(tmp_path_factory.mktemp("of_demand"), values.KIT, text, periods_ms=values.PERIODS_MS)


def found(result: Inspection) -> dict[str, list[tuple]]:
    """Start in ms, faulty samples, end in ms or None, of the findings of each kind."""
    told: dict[str, list[tuple]] = {kind: [] for kind in values.TWINS}
    for finding in result.findings:
        if finding.kind in told:
            start_ms, end_ms = (round(ms) for ms in kits.span_ms(result, finding))
            told[finding.kind].append((start_ms, finding.count, None if finding.open else end_ms))
    return {kind: sorted(spans, key=lambda span: span[0]) for kind, spans in told.items()}


def expected(sent: list[Sent], twins: Twins = values.TWINS) -> dict[str, list[tuple]]:
    zero_ms = sent[0].t_ms if sent else 0
    return {
        kind: [
            (one.start_ms - zero_ms, one.count, None if one.end_ms is None else one.end_ms - zero_ms)
            for one in values.stretches(twin(sent))
        ]
        for kind, twin in twins.items()
    }


@given(st.integers(0, 2**32 - 1), st.integers(0, 120), st.data())
def test_the_checks_find_what_a_plain_walk_finds(
    spec: Spec, seed: int, count: int, data: st.DataObject
) -> None:
    sent = values.stream(seed, count)
    whole = frames(one.row for one in sent)
    result, _ = inspected(whole.split(data.draw(cuts(whole))), spec)
    assert found(result) == expected(sent)
    assert [
        (one.text, lacking(one)) for one in result.findings if one.kind in values.TWINS and lacking(one)
    ] == []


def test_what_a_demand_moves_is_judged_while_its_axis_is_active(of_demand: Spec) -> None:
    many = 0
    for seed in range(12):
        sent = values.steering_stream(seed)
        whole = frames(one.row for one in sent)
        spans = expected(sent, {"frozen": values.frozen_while_active})["frozen"]
        for places in ((), (31, 32, 90)):
            result, _ = inspected(whole.split(places), of_demand)
            assert found(result)["frozen"] == spans
        many += len(spans)
    assert many >= 12


def test_the_streams_hold_faults_of_every_kind(spec: Spec) -> None:
    """Each kind in at least a tenth of the streams."""
    having: Counter[str] = Counter()
    for seed in range(100):
        having.update(kind for kind, spans in expected(values.stream(seed, 120)).items() if spans)
    assert {kind: having[kind] for kind in values.TWINS if having[kind] < 10} == {}
