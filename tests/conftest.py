"""What all tests share: how long property tests look, and where the reference data are."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("fast", deadline=None, max_examples=60, derandomize=True)
settings.register_profile("deep", deadline=None, max_examples=1000)
settings.load_profile("deep" if os.environ.get("CANMAP_DEEP") == "1" else "fast")


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder with reference values and a recorded drive, named by the variable CANMAP_SHARED."""
    named = os.environ.get("CANMAP_SHARED")
    if not named:
        pytest.skip("CANMAP_SHARED does not name the folder with the reference data")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"CANMAP_SHARED names {folder}, which is not a folder")
    return folder
