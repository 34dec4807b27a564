"""Pairs whose second value lags: over any stream and any cutting, what a plain walk over the frames finds."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.common.at_one_time import NONE_TIMED, AtOneTime
from tests import kits, values
from tests.cutting import told
from tests.property.test_carries import forgetting
from tests.streams import cuts, frames, inspected, spec_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.values import Sent, Verdict

PAIR = """\
redundant:
  pedal: {{signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 5 %, within: 20 ms, lag: {lag} ms}}
"""
FIELDS = """\
records:
  first: {{type: Brake, stamp: Pedal, pedal: Pedal.First}}
  second: {{type: Brake, stamp: PedalB, pedal: PedalB.Second}}
redundant:
  pedal: {{fields: [first.pedal, second.pedal], slope: half, tolerance: 5 %, within: 20 ms, lag: {lag} ms}}
"""
HELD = "messages: {{PedalB: {{trigger: on_change, heartbeat: 10 ms}}}}\n"
CASES = {
    "sent at other moments": (PAIR, 0, True),
    "later": (PAIR, 13, True),
    "earlier": (PAIR, -7, True),
    "fields": (FIELDS, 13, True),
    "on change": (HELD + PAIR, 13, False),
    "fields on change": (HELD + FIELDS, 13, False),
}


def told_at(seconds: list[tuple[int, int | None]], at_ms: int, cyclic: bool) -> Fraction | None:
    """The second at a moment, in counts."""
    before = [one for one in seconds if one[0] < at_ms]
    after = [one for one in seconds if one[0] >= at_ms]
    if not before or (cyclic and not after):
        return None
    low_ms, low = before[-1]
    if not cyclic:
        return None if low is None or at_ms - low_ms > values.STALE_MS else Fraction(low)
    high_ms, high = after[0]
    if high is None or high_ms - low_ms > values.STALE_MS:
        return None
    if high_ms == at_ms:
        return Fraction(high)
    return None if low is None else low + (high - low) * Fraction(at_ms - low_ms, high_ms - low_ms)


def disagree(sent: list[Sent], lag_ms: int, cyclic: bool, last_ms: int) -> Iterator[Verdict]:
    """Whether the first pedal and twice the second that much later are over 5 % apart for over 20 ms."""
    seconds: list[tuple[int, int | None]] = []
    for one in sent:
        if one.can_id == values.PEDAL_B and not (cyclic and seconds and seconds[-1][0] == one.t_ms):
            seconds.append((one.t_ms, one.bits(0, 8)))
    samples = []
    for one in sent:
        first, at_ms = one.bits(0, 8), one.t_ms + lag_ms
        if one.can_id == values.PEDAL and first is not None and at_ms <= last_ms:
            second = told_at(seconds, at_ms, cyclic)
            if second is not None:
                samples.append((one.t_ms, abs(first - 2 * second) / 2 > 5))
    yield from values.lasting(samples, 20)


@pytest.fixture(scope="module")
def specs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folders = {case: tmp_path_factory.mktemp("kit") for case in CASES}
    for case, (text, lag_ms, _) in CASES.items():
        kits.spec_of(folders[case], values.KIT, text.format(lag=lag_ms), periods_ms=values.PERIODS_MS)
    return {case: folder / "spec.yaml" for case, folder in folders.items()}


@given(st.sampled_from(list(CASES)), st.integers(0, 2**32 - 1), st.integers(0, 60), st.data())
def test_a_lagging_pair_disagrees_where_a_plain_walk_says_so(
    specs: dict[str, Path], case: str, seed: int, count: int, data: st.DataObject
) -> None:
    _, lag_ms, cyclic = CASES[case]
    sent = values.stream(seed, count)
    whole = frames(one.row for one in sent)
    result, _ = inspected(whole.split(data.draw(cuts(whole))), spec_of(specs[case]))
    found = [(*kits.span_ms(result, one), one.count, one.open) for one in kits.of_kind(result, "disagree")]
    zero_ms = sent[0].t_ms if sent else 0
    last_ms = sent[-1].t_ms if sent else 0
    assert [(round(start), count, None if still else round(end)) for start, end, count, still in found] == [
        (one.start_ms - zero_ms, one.count, None if one.end_ms is None else one.end_ms - zero_ms)
        for one in values.stretches(disagree(sent, lag_ms, cyclic, last_ms))
    ]


@pytest.mark.parametrize("case", ["later", "on change"])
def test_what_a_lagging_pair_carries_is_needed(
    specs: dict[str, Path], case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = frames(one.row for one in values.stream(1, 100))
    pieces = whole.split(range(1, len(whole)))
    assert told(pieces, specs[case]) == told([whole], specs[case])
    for carried in ("_waiting", "_second"):
        with monkeypatch.context() as patch:
            patch.setattr(
                AtOneTime,
                "take",
                forgetting(AtOneTime.take, lambda one, name=carried: setattr(one, name, NONE_TIMED)),
            )
            assert told(pieces, specs[case]) != told([whole], specs[case]), carried
