"""The cut law over values that are judged against each other, and every carry that it needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.axes.tracking import TrackingCheck
from canmap.checks.common.lasting import NEVER_NS
from canmap.checks.common.record_values import RecordValueCheck
from canmap.checks.values.disagree import DisagreeCheck
from canmap.checks.values.frozen import FrozenCheck
from canmap.checks.values.railed import RailedCheck
from canmap.checks.values.ranges_by_speed import SpeedRangeCheck
from canmap.checks.values.slew import NO_VALUES, SlewCheck
from tests import kits, values
from tests.cutting import told
from tests.property.test_carries import forgetting
from tests.streams import cuts, frames

if TYPE_CHECKING:
    from pathlib import Path


def value_kit(folder: Path) -> Path:
    """The kit whose values are judged against each other."""
    text = values.RECORDS + values.AXES + values.REDUNDANT
    kits.spec_of(folder, values.KIT, text, periods_ms=values.PERIODS_MS)
    return folder / "spec.yaml"


@pytest.fixture(scope="module")
def of_values(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return value_kit(tmp_path_factory.mktemp("values"))


@given(st.data())
def test_any_cutting_of_values_judged_against_each_other_gives_the_same(
    of_values: Path, data: st.DataObject
) -> None:
    sent = values.stream(data.draw(st.integers(0, 2**32 - 1)), data.draw(st.integers(0, 120)))
    whole = frames(one.row for one in sent)
    assert told(whole.split(data.draw(cuts(whole))), of_values) == told([whole], of_values)


def forget_demands(check: TrackingCheck) -> None:
    for demands in check._demands:
        for name in ("clock_ns", "frame", "values", "absent"):
            setattr(demands, name, getattr(demands, name)[:0])


def forget_values(check: SlewCheck) -> None:
    check._newest = [NO_VALUES for _ in check._newest]


VALUE_CARRIES = {
    "newest values": (1, SlewCheck, forget_values),
    "ordinals of faulty values": (1, RecordValueCheck, lambda check: check._episodes._judged.clear()),
    "speed that stands": (
        1,
        SpeedRangeCheck,
        lambda check: [setattr(one, "_newest", None) for one in check._standing.values()],
    ),
    "demands": (1, TrackingCheck, forget_demands),
    "that an axis was active": (1, TrackingCheck, lambda check: check.__dict__.update(_was_active=[False])),
    "since when an axis is active": (
        1,
        TrackingCheck,
        lambda check: check.__dict__.update(_active_since=[NEVER_NS]),
    ),
    "second of a pair": (0, DisagreeCheck, lambda check: setattr(check._both[0]._newest, "known", False)),
    "that a pair disagrees": (0, DisagreeCheck, lambda check: setattr(check._lasting[0], "_held", False)),
    "since when a pair disagrees": (
        0,
        DisagreeCheck,
        lambda check: setattr(check._lasting[0], "_since_ns", NEVER_NS),
    ),
    "when a signal stood at its end": (
        0,
        RailedCheck,
        lambda check: setattr(check._lasting[0], "_last_ns", NEVER_NS),
    ),
    "value that stays the same": (9, FrozenCheck, lambda check: setattr(check._runs[0], "raw", None)),
    "how far the related value moved": (
        14,
        FrozenCheck,
        lambda check: setattr(check._runs[0], "low", np.inf),
    ),
    "when the related value had moved": (
        9,
        FrozenCheck,
        lambda check: setattr(check._runs[0], "moved_ns", 1 << 62),
    ),
    "when a value came last": (9, FrozenCheck, lambda check: setattr(check._runs[0], "last_ns", 0)),
}


@pytest.mark.parametrize("carry", VALUE_CARRIES)
def test_every_carry_of_judged_values_is_needed(
    carry: str, of_values: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seed, owner, reset = VALUE_CARRIES[carry]
    whole = frames(one.row for one in values.stream(seed, 120))
    pieces = whole.split(range(1, len(whole)))
    assert told(pieces, of_values) == told([whole], of_values)
    monkeypatch.setattr(owner, "fold", forgetting(owner.fold, reset))
    assert told(pieces, of_values) != told([whole], of_values), (
        f"the {carry} could be forgotten between chunks unnoticed"
    )
