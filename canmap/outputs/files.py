"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
import sys
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from canmap.errors import CanmapError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from _typeshed import ReadableBuffer


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
    if not path:
        raise OutputError("The name of the file to write is empty; name a file, or - for standard output.")
    target = Path(path)
    beside: Path | None = None
    try:
        with _failures_named(path):
            if path.endswith(os.sep):
                raise IsADirectoryError
            if target.exists() and not stat.S_ISREG(target.stat().st_mode):
                raw = _NamedFile(path, path)
            else:
                handle, beside = _new_beside(target)
                raw = _NamedFile(handle, path)
        with io.TextIOWrapper(io.BufferedWriter(raw), encoding="utf-8") as file:
            yield file
        if beside is not None:
            with _failures_named(path):
                _put_in_place(beside, target)
    except BaseException:
        if beside is not None:
            beside.unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def whole_file(path: str) -> Iterator[str]:
    """Give the name of a file to write, with the same ending, that takes the name `path` when the block ends.

    If the block raises, nothing is left.

    Raises:
        OutputError: It cannot be written there, or what is there is no ordinary file.
    """
    target = Path(path)
    beside: Path | None = None
    try:
        with _failures_named(path):
            if target.exists() and not (target.is_file() or target.is_dir()):
                raise OutputError(f"{path} is no ordinary file; name one that may be replaced.")
            handle, beside = _new_beside(target)
            os.close(handle)
            yield str(beside)
            _put_in_place(beside, target)
    except BaseException:
        if beside is not None:
            beside.unlink(missing_ok=True)
        raise


def _new_beside(target: Path) -> tuple[int, Path]:
    """Return a handle of a new file beside the one to write, and its name.

    Raises:
        OSError: It cannot be made, or must not take the other's place.
    """
    if target.is_dir():
        raise IsADirectoryError
    if target.exists() and not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, "it is read-only")
    handle, name = tempfile.mkstemp(
        prefix=f".{target.name}.", suffix=target.suffix, dir=target.resolve().parent
    )
    return handle, Path(name)


def _put_in_place(beside: Path, target: Path) -> None:
    beside.chmod(_ordinary_mode(target))
    beside.replace(target.resolve())


class _NamedFile(io.FileIO):
    """A file for writing whose failures name it as the user did, whoever writes at that moment."""

    def __init__(self, file: str | int, path: str) -> None:
        super().__init__(file, "w")
        self._path = path

    def write(self, data: ReadableBuffer) -> int:
        """Write some or all of the bytes."""
        with _failures_named(self._path):
            return super().write(data)


@contextlib.contextmanager
def _failures_named(path: str) -> Iterator[None]:
    """Turn what the system says of `path` into one sentence."""
    try:
        yield
    except (CanmapError, BrokenPipeError):
        raise
    except IsADirectoryError as error:
        raise OutputError(f"{path} is a folder; name a file in it.") from error
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {(error.strerror or str(error)).lower()}.") from error


def _ordinary_mode(target: Path) -> int:
    """Permissions of the file that is replaced, else those that a new file would get."""
    if target.exists():
        return stat.S_IMODE(target.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
