"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from canmap.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def whole_text_file(path: str) -> Iterator[IO[str]]:
    """Open a UTF-8 text file for writing that takes its name only once it is complete.

    It is written beside its place and renamed when the block ends; if the block raises, nothing is left.
    "-" is standard output; a device, a pipe or a terminal is written to directly and never replaced. That
    the place can be written to is known before the block begins.

    Raises:
        OutputError: It cannot be written there.
    """
    if path == "-":
        yield sys.stdout
        return
    target = Path(path)
    try:
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            with target.open("w", encoding="utf-8") as direct:
                yield direct
            return
        if target.exists() and not os.access(target, os.W_OK):
            raise OutputError(f"{path} cannot be written: it is read-only.")
        handle, beside = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.resolve().parent)
    except IsADirectoryError as error:
        raise OutputError(f"{path} is a folder; name a file in it.") from error
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {(error.strerror or str(error)).lower()}.") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            yield file
        Path(beside).chmod(_ordinary_mode(target))
        Path(beside).replace(target.resolve())
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _ordinary_mode(target: Path) -> int:
    """Permissions of the file that is replaced, else those that a new file would get."""
    if target.exists():
        return stat.S_IMODE(target.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
