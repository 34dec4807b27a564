"""Rolling counters: what frames carry, and how far two counters are apart.

Steps of profile 1: r - last, or 15 + r - last where r has gone round [AUTOSAR E2E protocol, profile 1].
"""

import numpy as np

from canmap.payload.counters import PROFILE1_COUNTER, RollingCounter


def test_profile_1_goes_from_14_to_0() -> None:
    assert PROFILE1_COUNTER.of_frames(np.arange(13, 17)).tolist() == [13, 14, 0, 1]
    assert PROFILE1_COUNTER.places(np.array([0, 14, 15])).tolist() == [0, 14, -1]
    before, after = np.array([14, 3, 3, 10]), np.array([0, 3, 5, 2])
    assert PROFILE1_COUNTER.steps(before, after).tolist() == [1, 0, 2, 15 + 2 - 10]


def test_a_counter_may_start_elsewhere_and_take_larger_steps() -> None:
    counter = RollingCounter(values=4, first=1, step=2)  # 1, 3, 5, 7, 1, ...
    assert counter.of_frames(np.arange(6)).tolist() == [1, 3, 5, 7, 1, 3]
    assert counter.places(np.array([0, 1, 2, 7, 9])).tolist() == [-1, 0, -1, 3, -1]
    assert counter.steps(np.array([7, 1]), np.array([1, 7])).tolist() == [1, 3]
