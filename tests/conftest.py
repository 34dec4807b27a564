"""Fixtures that every part of the suite uses."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of reference values and recordings, from the environment variable CANMAP_SHARED."""
    folder = os.environ.get("CANMAP_SHARED")
    if not folder:
        pytest.skip("CANMAP_SHARED does not name the folder of reference values")
    path = Path(folder)
    if not path.is_dir():
        pytest.fail(f"CANMAP_SHARED names {folder}, which is not a folder")
    return path
