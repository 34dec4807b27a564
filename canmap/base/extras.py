"""Libraries that are extras or slow to import: each is imported here, when it is used."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from canmap.base.errors import UsageError, library_reason

LIBRARY_OF_EXTRA = {"tables": "polars", "bags": "mcap"}


def is_installed(extra: str) -> bool:
    """Return whether the library that an extra brings is here, without importing it."""
    return find_spec(LIBRARY_OF_EXTRA[extra]) is not None


def polars() -> Any:
    """Return polars.

    Raises:
        UsageError: It is not installed.
    """
    try:
        import polars as library  # noqa: PLC0415
    except ImportError:
        raise UsageError("Parquet needs the extra 'tables': pip install 'canmap[tables]'.") from None
    return library


def rclpy() -> Any:
    """Return rclpy, the client library of ROS 2.

    Raises:
        UsageError: It is not there, or not for this Python.
    """
    try:
        library = import_module("rclpy")  # no stubs, and not among what is installed for development
        import_module("rclpy.node")
        import_module("rclpy.type_support")
    except ImportError as error:
        why = "is not here" if error.name == "rclpy" else f"cannot be used ({library_reason(error)})"
        raise UsageError(
            f"Topics need ROS 2, whose rclpy {why}; source a ROS 2 with this version of Python, or install "
            "the extra 'ros': pip install 'canmap[ros]'."
        ) from None
    return library


def mcap() -> Any:
    """Return mcap, with its modules `data_stream`, `exceptions`, `opcode` and `records`.

    Raises:
        UsageError: It is not installed.
    """
    try:
        import mcap.data_stream  # noqa: PLC0415
        import mcap.exceptions  # noqa: PLC0415
        import mcap.opcode  # noqa: PLC0415
        import mcap.records  # noqa: PLC0415
    except ImportError:
        raise UsageError("MCAP needs the extra 'bags': pip install 'canmap[bags]'.") from None
    return mcap


def pyarrow() -> Any:
    """Return pyarrow, its Parquet included.

    Raises:
        UsageError: It is not installed.
    """
    try:
        import pyarrow as library  # type: ignore[import-untyped]  # noqa: PLC0415
        import pyarrow.parquet  # type: ignore[import-untyped]  # noqa: PLC0415
    except ImportError:
        raise UsageError("Parquet needs the extra 'tables': pip install 'canmap[tables]'.") from None
    return library


def python_can() -> Any:
    """Return python-can, imported without asammdf, which it imports too where it can and which is slow."""
    if "can" in sys.modules or "asammdf" in sys.modules:
        import can as library  # noqa: PLC0415

        return library
    sys.modules["asammdf"] = None  # type: ignore[assignment]  # so that the import fails at once
    try:
        import can as library  # noqa: PLC0415
    finally:
        del sys.modules["asammdf"]
    return library
