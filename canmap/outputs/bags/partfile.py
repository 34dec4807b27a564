"""`FILE.part`, beside its place until it is whole: it stays when its writer is killed, and can be read then.

Whoever writes it holds a lock on it; the system lets go of that with the process.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shlex
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import OutputError
from canmap.outputs.bags.bag_names import PART
from canmap.outputs.files import failures_named, is_direct, open_direct

if TYPE_CHECKING:
    from collections.abc import Sequence

_left: dict[str, str] = {}  # parts that this process leaves, and the names that they were to take


def left_behind() -> list[str]:
    """Return what is to be said of the parts that this process leaves, a sentence each."""
    return [_sentence(part, path) for part, path in _left.items()]


def _sentence(part: str, path: str) -> str:
    named = path + PART if Path(path + PART).exists() else part  # else it is beside what a link leads to
    words = ["canmap", "export", named, "--into", path, *(["--overwrite"] if Path(path).exists() else [])]
    return f"{named} stays, with every complete chunk; {shlex.join(words)} makes a whole bag of it."


def part_name(path: str) -> str:
    """Return what a file is called until it is whole."""
    return os.path.realpath(path) + PART


class PartFile:
    """A file that is written piece by piece and takes its name when it is whole.

    A device, a pipe or a terminal is written to directly and never replaced.

    Args:
        path: The name it takes.
        overwrite: Whether a `.part` that an earlier run left may be replaced.

    Attributes:
        beside: Whether there is a `.part`: no device or pipe is written to.
        size: Bytes that were written; what belongs together is in the file as a whole or not at all.
        left: Path of what stays behind, None where nothing does.

    Raises:
        OutputError: It cannot be written there.
    """

    def __init__(self, path: str, *, overwrite: bool) -> None:
        self.size = 0
        self.left: str | None = None
        self._path = path
        with failures_named(path):
            if not path:
                raise OutputError("The name of the file to write is empty; name one.")
            if path.endswith(os.sep) or Path(path).is_dir():
                raise IsADirectoryError
            self.beside = not is_direct(path)
            self._target = Path(os.path.realpath(path))
            if self.beside and self._target.exists() and not os.access(self._target, os.W_OK):
                raise PermissionError(errno.EACCES, "it is read-only")
            self._part = part_name(path) if self.beside else path
        self._overwrite = overwrite
        self._handle = -1

    def begin(self) -> None:
        """Open it; a pipe waits for its reader.

        Raises:
            OutputError: It cannot be opened, is being written, or an earlier run left a part.
        """
        with failures_named(self._path):
            self._handle = self._begun() if self.beside else open_direct(self._path)

    def write(self, pieces: Sequence[bytes]) -> None:
        """Write pieces that belong together.

        Raises:
            OutputError: They cannot be written.
        """
        try:
            with failures_named(self._path):
                for piece in pieces:
                    rest = memoryview(piece)
                    while rest:
                        rest = rest[os.write(self._handle, rest) :]
        except BaseException:
            self._cut_off()
            raise
        self.size += sum(map(len, pieces))

    def place(self) -> None:
        """Give it its name; whatever had it is replaced.

        Raises:
            OutputError: It cannot have it.
        """
        with failures_named(self._path):
            if self.beside:
                if self._target.exists():
                    os.fchmod(self._handle, stat.S_IMODE(self._target.stat().st_mode))
                Path(self._part).replace(self._target)
            self._close()

    def leave(self, *, keep: bool) -> None:
        """End without giving it its name, if it was begun.

        Args:
            keep: Whether the part stays.
        """
        if self._handle < 0:
            return
        if self.beside and keep:
            self.left = self._part
            _left[self._part] = self._path
        elif self.beside:
            with contextlib.suppress(OSError):
                Path(self._part).unlink()
        with contextlib.suppress(OSError):
            self._close()

    def _close(self) -> None:
        handle, self._handle = self._handle, -1  # its number may be another file's from here on
        os.close(handle)

    def _cut_off(self) -> None:
        """Take away what was written of pieces that could not be written whole."""
        if self.beside:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self.size)
                os.lseek(self._handle, self.size, os.SEEK_SET)

    def _begun(self) -> int:
        """Return the handle of the part, empty and locked."""
        while True:
            handle = os.open(self._part, os.O_RDWR | os.O_CREAT | os.O_NONBLOCK | os.O_NOFOLLOW, 0o666)
            try:
                if self._is_ours(handle):
                    os.ftruncate(handle, 0)
                    _left.pop(self._part, None)
                    return handle
            except BaseException:
                os.close(handle)
                raise
            os.close(handle)

    def _is_ours(self, handle: int) -> bool:
        """Lock it; return whether it still has its name, which its writer may have changed meanwhile."""
        if not _lock(handle):
            raise OutputError(f"{self._part} is being written by another program; name another file.")
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise OutputError(f"{self._part} is not an ordinary file; remove it, or name another file.")
        if found.st_size and not self._overwrite:
            make = shlex.join(["canmap", "export", self._part, "--into", self._path])
            raise OutputError(
                f"{self._part} is left of a run that was cut off; finish it with {make}, remove it, "
                "or name another file."
            )
        try:
            return os.path.samestat(found, Path(self._part).stat())
        except FileNotFoundError:
            return False


def is_being_written(handle: int) -> bool:
    """Return whether another program holds the lock on an open file; nobody else can take it then."""
    return not _lock(handle, fcntl.LOCK_SH)


def _lock(handle: int, kind: int = fcntl.LOCK_EX) -> bool:
    """Lock an open file; return whether no other program has it locked."""
    try:
        fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True
