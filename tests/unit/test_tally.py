"""Counting the keys of a chunk: the quick way for small keys finds the same as sorting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.common import tally as tally_module
from canmap.checks.common.tally import tally, tally_small


@given(st.lists(st.integers(0, 12), min_size=1, max_size=60), st.integers(1, 70))
def test_counting_without_sorting_finds_the_same(numbers: list[int], near: int) -> None:
    keys, frames = np.array(numbers, np.intp), 3 * np.arange(len(numbers)) + 5
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tally_module, "NEAR", near)
        quick = tally_small(keys, frames)
    slow = tally(keys.astype(np.int64), frames)
    for name in ("keys", "counts", "first", "last"):
        assert getattr(quick, name).tolist() == getattr(slow, name).tolist(), name
    assert quick.keys.tolist() == sorted(set(numbers))
    assert quick.first.tolist() == [5 + 3 * numbers.index(key) for key in sorted(set(numbers))]
