"""Settings of a ROS 2 that would end the whole program are refused before it is imported."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import UsageError
from canmap.outputs.node.rosnode import RosNode

if TYPE_CHECKING:
    from pathlib import Path


def test_a_middleware_that_is_not_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Installed ones are listed in the resource index of ament (from memory)."""
    monkeypatch.setitem(sys.modules, "rclpy", None)  # so that none is found, here or anywhere
    monkeypatch.setenv("RMW_IMPLEMENTATION", "rmw_none_cpp")
    monkeypatch.setenv("AMENT_PREFIX_PATH", f"{tmp_path / 'overlay'}:{tmp_path}")
    with pytest.raises(UsageError, match="rclpy is not here"):  # no list
        RosNode(())
    listing = tmp_path / "share" / "ament_index" / "resource_index" / "rmw_typesupport"
    listing.mkdir(parents=True)
    for name in ("rmw_one_cpp", "rmw_other_cpp", "rmw_implementation"):
        (listing / name).touch()
    said = "is rmw_none_cpp, which this ROS 2 does not have; it has rmw_one_cpp and rmw_other_cpp"
    with pytest.raises(UsageError, match=said):
        RosNode(())
    monkeypatch.setenv("RMW_IMPLEMENTATION", "rmw_other_cpp")
    with pytest.raises(UsageError, match="rclpy is not here"):
        RosNode(())
