"""Settings that all tests share."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings

settings.register_profile(
    "fast",
    max_examples=60,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
settings.register_profile("deep", parent=settings.get_profile("fast"), max_examples=2000, derandomize=False)
# Where only the verdict counts: without looking for the smallest example that fails, which takes long.
settings.register_profile(
    "verdict", parent=settings.get_profile("fast"), phases=[Phase.explicit, Phase.generate]
)
DEEP = bool(os.environ.get("CANMAP_DEEP"))
settings.load_profile("deep" if DEEP else "fast")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave what takes long and rarely tells more than its neighbours to `--deep`."""
    for item in items:
        if item.get_closest_marker("deep") and not DEEP:
            item.add_marker(pytest.mark.skip(reason="takes long; python tests/check.py --deep"))


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of the recorded drive, `road-drive`, which does not come with the project."""
    place = os.environ.get("CANMAP_SHARED")
    if not place:
        pytest.skip("CANMAP_SHARED does not name the folder of the recorded drive")
    if not Path(place).is_dir():
        pytest.fail(f"CANMAP_SHARED names {place}, which is no folder")
    return Path(place)
