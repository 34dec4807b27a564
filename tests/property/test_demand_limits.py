"""Demands that go too far or too fast: over any stream and any cutting, what a plain walk over them finds."""

from __future__ import annotations

import tempfile
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from tests import kits
from tests.streams import cuts, frames, inspected

if TYPE_CHECKING:
    from canmap.mapping.model import Spec

KIT = """\
BO_ 512 Command: 8 Other
 SG_ Angle : 0|8@1+ (0.5,0) [0|0] "deg" Node
 SG_ Enable : 8|1@1+ (1,0) [0|0] "" Node
"""
STEP, RATE, COUNT = 10, 100, Fraction(1, 2)  # deg, deg/s, deg
PERIOD_MS = 20
REFUSED = ("", "step", "slew", "step, slew")
Demand = tuple[int, int, bool]  # ms since the one before, counts, whether it asks the axis to act


@cache
def spec(refused: str) -> Spec:
    requires = f", requires: [{refused}]" if refused else ""
    limits = "largest_step: {Angle: 10 deg}, slew: {Angle: 100 deg/s}"
    text = f"demands: {{Command: {{asks_when: {{Enable: yes}}, {limits}{requires}}}}}\n"
    with tempfile.TemporaryDirectory() as folder:
        return kits.spec_of(Path(folder), KIT, text, periods_ms={0x200: PERIOD_MS})


def walk(sent: list[Demand], refused: str) -> dict[bool, list[Fraction]]:
    """What is too far, and what is too fast, frame by frame."""
    told: dict[bool, list[Fraction]] = {False: [], True: []}
    now_ms, taken = 0, None
    for passed_ms, counts, acts in sent:
        now_ms += passed_ms
        value = counts * COUNT
        taken = taken or (now_ms, value)
        change = abs(value - taken[1])
        time_s = Fraction(max(now_ms - taken[0], PERIOD_MS), 1000)
        far = acts and change > STEP + COUNT / 2
        fast = acts and change > RATE * (time_s + Fraction(PERIOD_MS, 5000)) + COUNT
        told[False] += [change] if far else []
        told[True] += [change / time_s] if fast else []
        if not (far and "step" in refused) and not (fast and "slew" in refused):
            taken = now_ms, value
    return told


DEMANDS = st.lists(
    st.tuples(
        st.sampled_from([20, 20, 20, 10, 0, 45, 80]),
        st.sampled_from([40, 41, 44, 46, 50, 60, 61, 81, 200]),
        st.sampled_from([True, True, True, False]),
    ),
    max_size=30,
)


@given(DEMANDS, st.sampled_from(REFUSED), st.data())
def test_a_plain_walk_finds_the_same_steps_and_rates(
    sent: list[Demand], refused: str, data: st.DataObject
) -> None:
    now_ms, rows = 0, []
    for passed_ms, counts, acts in sent:
        now_ms += passed_ms
        rows.append(kits.row(now_ms, 0x200, bytes([counts, acts, *bytes(6)])))
    whole = frames(rows)
    result, _ = inspected(whole.split(data.draw(cuts(whole))), spec(refused))
    expected = walk(sent, refused)
    for is_rate in (False, True):
        found = [one for one in kits.of_kind(result, "slew") if ("/s" in str(one.facts["unit"])) == is_rate]
        assert sum(one.count for one in found) == len(expected[is_rate])
        worst = max((abs(one.value or 0) for one in found), default=0)
        assert abs(worst - float(max(expected[is_rate], default=0))) < 1e-9
