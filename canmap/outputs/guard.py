"""Outputs: what a file may take the place of. Every output of every command asks here before the work.

Never one of the inputs, by whatever path or link; and what exists only where the user says so, or where it
plainly is what the same command wrote before. A recording cannot be had again, a result can.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import OutputError
from canmap.outputs.files import is_direct

if TYPE_CHECKING:
    from collections.abc import Iterable

STANDARD = "-"


def guard_output(path: str, inputs: Iterable[str], *, overwrite: bool, own: str = "") -> None:
    """Refuse an output that would replace something else.

    A device, a pipe or a terminal is never replaced and may be anything.

    Args:
        path: The file to write; "-" is standard output.
        inputs: Everything that the command reads; "-" is standard input.
        overwrite: Whether the user lets it replace what exists.
        own: How a file begins that this command wrote and may replace unasked; "" for none.

    Raises:
        OutputError: It is one of the inputs, or exists and must not be replaced.
    """
    if path in ("", STANDARD):
        return
    try:
        there = Path(path).stat()
        if is_direct(path):
            return
    except (OSError, ValueError):  # whoever opens it says why
        return
    for read in inputs:
        if _is_same(there, read):
            named = "standard input" if read == STANDARD else read
            raise OutputError(f"{path} would replace {named}, which is an input; name another file.")
    if not (overwrite or there.st_size == 0 or begins(path, own)):
        raise OutputError(f"{path} exists; name another file, or give --overwrite.")


def begins(path: str, own: str) -> bool:
    """Return whether a file begins with a text, which is not empty."""
    expected = own.encode("utf-8", "backslashreplace")
    try:
        with Path(path).open("rb") as file:
            return bool(expected) and file.read(len(expected)) == expected
    except (OSError, ValueError):
        return False


def _is_same(there: os.stat_result, read: str) -> bool:
    try:
        status = os.fstat(0) if read == STANDARD else Path(read).stat()
    except (OSError, ValueError):
        return False
    return stat.S_ISREG(status.st_mode) and os.path.samestat(there, status)
