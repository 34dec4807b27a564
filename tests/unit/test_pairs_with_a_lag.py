"""Redundant pairs whose messages are sent at different moments while the value moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, row, span_ms
from tests.unit.test_judged_values import only, run
from tests.values import PEDAL, PEDAL_B, pedal

if TYPE_CHECKING:
    from pathlib import Path


def ramps(second_ms: int = 0, off=lambda _: 0) -> list:
    """Both follow a pedal that moves by 0.25 % a ms; the second is sent at other moments, and is later."""
    rows = [row(t, PEDAL, pedal(t / 4)) for t in range(40, 300, 10)]
    return rows + [row(t, PEDAL_B, pedal((t - second_ms) / 8 + off(t))) for t in range(44, 300, 20)]


@pytest.mark.parametrize(
    ("second_ms", "lag", "apart"),
    [
        (0, "", 4),  # by hand: the newest of the second is up to 16 ms old, in which it moves by 4 %
        (0, ", lag: 0 ms", None),
        (40, ", lag: 0 ms", 10),  # 40 ms at 0.25 % a ms
        (40, ", lag: 40 ms", None),
        (-40, ", lag: -40 ms", None),
        (-40, ", lag: 0.04 s", 20),
    ],
)
def test_a_pair_that_is_sent_at_different_moments(
    tmp_path: Path, second_ms: int, lag: str, apart: int | None
) -> None:
    pair = f"redundant: {{p: {{signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 1 %{lag}}}}}\n"
    found = of_kind(run(tmp_path, ramps(second_ms), pair), "disagree")
    assert [one.value for one in found] == ([] if apart is None else [apart])


def test_what_a_lagging_pair_says(tmp_path: Path) -> None:
    """The second is off by 10 % at 144, 164 and 184 ms, where it tells of the first at 104, 124 and 144 ms.

    By hand: on the straight line from 124 to 144 ms it is off by 10 * 6 / 20 = 3 % at 130 ms, of the first at
    90 ms, and on that from 184 to 204 ms by 10 * 4 / 20 = 2 % at 200 ms, of the first at 160 ms. The first
    sample is right at 170 ms, and the session begins at 40 ms. One that has not lasted does not count.
    """
    pair = (
        "redundant: {p: {signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 1 %, lag: 40 ms}}\n"
    )
    result = run(tmp_path, ramps(40, lambda t: 5 if 140 < t < 190 else 0), pair)
    found = only(result, "disagree")
    assert found.text == (
        "Pedal.First and, 40 ms later, PedalB.Second (of half its slope) disagreed by up to 10 %; 1 % is "
        "allowed."
    )
    assert (span_ms(result, found), found.count, found.facts["lag_s"]) == ((50, 130), 7, 0.04)
