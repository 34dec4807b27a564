"""Files on their way to their place, or needed for a while, and what a writer that was killed left of them.

A writer holds a lock on its file for as long as it lives; the system lets go of it with the process. Whoever
writes into the same folder next takes away what is not locked. A lock may mean nothing to another computer
that shares the folder, so that each computer looks at its own files alone.
"""

from __future__ import annotations

import atexit
import contextlib
import fcntl
import os
import re
import stat
from pathlib import Path

_MARK = ".canmap-"
_MOST_OF_NAME = 32  # characters of the computer's name
_LONGEST_ENDING = 20
_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class UnfinishedFile:
    """A new file in a folder, until it gets its name or is removed, at the end of the program at the latest.

    Args:
        folder: Where it is.
        ending: What its name ends in; left out where it is long.

    Attributes:
        name: Its path.

    Raises:
        OSError: It cannot be made.
    """

    def __init__(self, folder: Path, ending: str) -> None:
        remove_abandoned(folder)
        self.name = ""
        while not self.name or not Path(self.name).exists():  # someone took it away before it was locked
            name = f"{_own_prefix()}{os.urandom(8).hex()}{ending if len(ending) <= _LONGEST_ENDING else ''}"
            self.name = str(folder.absolute() / name)
            self._handle = os.open(self.name, _NEW, 0o600)  # `tempfile` takes some time to import
            with contextlib.suppress(OSError):  # a file system without locks; there nothing is taken away
                fcntl.flock(self._handle, fcntl.LOCK_EX)
        _there.add(self)

    def place(self, target: Path) -> None:
        """Give it its name; whatever had it is replaced."""
        Path(self.name).replace(target)
        self._let_go()

    def remove(self) -> None:
        """Take it away; more than once, or once it has its name, does no harm."""
        with contextlib.suppress(OSError):
            Path(self.name).unlink()
        self._let_go()

    def _let_go(self) -> None:
        if self in _there:
            _there.remove(self)
            os.close(self._handle)


_there: set[UnfinishedFile] = set()


@atexit.register
def remove_all() -> None:
    """Take away what is there now: at the end of the program a thread may still be busy with its file."""
    for file in list(_there):
        file.remove()


def remove_abandoned(folder: Path) -> None:
    """Take away the unfinished files of a folder whose writers are gone."""
    with contextlib.suppress(OSError), os.scandir(folder) as there:
        for path in [entry.path for entry in there if entry.name.startswith(_own_prefix())]:
            with contextlib.suppress(OSError):
                _remove_if_abandoned(path)


def _remove_if_abandoned(path: str) -> None:
    if not stat.S_ISREG(os.lstat(path).st_mode):
        return
    handle = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        Path(path).unlink()
    finally:
        os.close(handle)


def _own_prefix() -> str:
    """What the names of unfinished files of this computer begin with."""
    return f"{_MARK}{re.sub('[^A-Za-z0-9]', '', os.uname().nodename)[:_MOST_OF_NAME]}-"
