"""Outputs: a folder to hand to somebody else: captures, texts and copies of files, all of it or nothing."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import OutputError
from canmap.outputs.captures.writers import write_frames
from canmap.outputs.files import failures_named, whole_files
from canmap.outputs.guard import STANDARD, guard_output
from canmap.outputs.packages import made_folders

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.frames.chunks import FrameChunk


def write_handover(
    folder: str,
    captures: Mapping[str, FrameChunk],
    texts: Mapping[str, str],
    copies: Mapping[str, str],
    inputs: Iterable[str],
    *,
    overwrite: bool,
) -> None:
    """Write a folder, which is made where it is not there.

    Args:
        folder: The folder; it must be empty, or not there.
        captures: Frames by the name of the capture in the folder; its ending tells the format.
        texts: Texts by name in the folder.
        copies: Files to copy, by name in the folder.
        inputs: Everything that the command reads, which is never replaced.
        overwrite: Whether files in the folder may be replaced.

    Raises:
        OutputError: There is something in the folder, or it cannot be written.
    """
    if folder in {"", STANDARD}:
        raise OutputError("A pack is a folder: name the one that it goes into.")
    with failures_named(folder):
        if not overwrite and Path(folder).exists() and any(Path(folder).iterdir()):
            raise OutputError(f"{folder} exists; name another folder, or give --overwrite.")
    paths = [str(Path(folder) / name) for name in (*captures, *texts, *copies)]
    read = tuple(inputs)
    for path in paths:
        guard_output(path, read, overwrite=overwrite)
    with made_folders({str(Path(path).parent) for path in paths}), whole_files(*paths) as names:
        waiting = iter(names)
        for chunk in captures.values():
            write_frames(next(waiting), [chunk])
        for text in texts.values():
            Path(next(waiting)).write_text(text, encoding="utf-8", newline="\n")
        for source in copies.values():
            shutil.copyfile(source, next(waiting))
