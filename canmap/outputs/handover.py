"""Outputs: a folder to hand to somebody else: copies of files, all of them or none."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import OutputError
from canmap.outputs.files import failures_named, whole_files
from canmap.outputs.guard import STANDARD, guard_output
from canmap.outputs.packages import made_folders

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


def require_free_folder(folder: str, *, overwrite: bool) -> None:
    """Check that a folder can take files: it is not there, or empty, or `overwrite` lets them be replaced.

    Raises:
        OutputError: It cannot.
    """
    if folder in {"", STANDARD}:
        raise OutputError("A pack is a folder: name the one that it goes into.")
    with failures_named(folder):
        if not overwrite and Path(folder).exists() and any(Path(folder).iterdir()):
            raise OutputError(f"{folder} exists; name another folder, or give --overwrite.")


def write_handover(folder: str, copies: Mapping[str, str], inputs: Iterable[str], *, overwrite: bool) -> None:
    """Write a folder, which is made where it is not there.

    Args:
        folder: The folder; it must be empty, or not there.
        copies: Files to copy, by name in the folder.
        inputs: Everything that the command reads, which is never replaced.
        overwrite: Whether files in the folder may be replaced.

    Raises:
        OutputError: There is something in the folder, or it cannot be written.
    """
    require_free_folder(folder, overwrite=overwrite)
    paths = [str(Path(folder) / name) for name in copies]
    read = tuple(inputs)
    for path in paths:
        guard_output(path, read, overwrite=overwrite)
    with made_folders({str(Path(path).parent) for path in paths}), whole_files(*paths) as names:
        for source, name in zip(copies.values(), names, strict=True):
            shutil.copyfile(source, name)
