"""Bytes and type hashes of ROS 2 messages against published values.

tests/data/published/ros2_cdr.json and ros2_type_hashes.csv; the README beside them names the sources.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from canmap.topics.cdr import serialised, serialised_one
from canmap.topics.standard_types import standard_types
from canmap.topics.type_hash import type_hash
from tests.messages import more_types
from tests.published import PUBLISHED, table

KNOWN = {**standard_types(), **more_types()}
MESSAGES: dict[str, Any] = json.loads((PUBLISHED / "ros2_cdr.json").read_text(encoding="utf-8"))["messages"]


def values_of(name: str) -> dict[str, Any]:
    given = MESSAGES[name]["values"]
    return {path: float("nan") if value == "NaN" else value for path, value in given.items()}


@pytest.mark.parametrize("name", MESSAGES)
def test_published_bytes_from_values(name: str) -> None:
    assert serialised_one(KNOWN[name], KNOWN, values_of(name)).hex() == MESSAGES[name]["cdr_hex"]


@pytest.mark.parametrize("name", MESSAGES)
def test_published_bytes_from_columns(name: str) -> None:
    """Every number and list of numbers as a column of two equal rows."""
    columns = {
        path: np.array([value, value]) if _numeric(value) else value
        for path, value in values_of(name).items()
    }
    made = serialised(KNOWN[name], KNOWN, columns, 2)
    assert made.data.tobytes().hex() == 2 * MESSAGES[name]["cdr_hex"]
    assert made.start.tolist() == [length * len(MESSAGES[name]["cdr_hex"]) // 2 for length in range(3)]


def _numeric(value: Any) -> bool:
    return all(isinstance(one, int | float) for one in (value if isinstance(value, list) else [value]))


@pytest.mark.parametrize("row", table("ros2_type_hashes"), ids=lambda row: row["type"])
def test_published_type_hashes(row: dict[str, str]) -> None:
    assert type_hash(KNOWN[row["type"]], KNOWN) == row["hash"]
