"""Why a file cannot be opened or written, as data: an obstacle and its detail; the words are made last."""

from __future__ import annotations

import errno
import os
import stat
from enum import StrEnum
from pathlib import Path

from canmap.base.dataclass import dataclass
from canmap.base.errors import system_reason


class Obstacle(StrEnum):
    """What stands in the way."""

    NO_NAME = "no_name"  # of a file: the system knows none like it
    FOLDER_GONE = "folder_gone"  # the one in which the program runs
    FOLDER_CLOSED = "folder_closed"  # the first on the way, in `detail`
    NOT_THERE = "not_there"
    FOLDER_NOT_THERE = "folder_not_there"  # the one that it would be in, in `detail`
    NO_FOLDER = "no_folder"  # a part of the path
    IS_FOLDER = "is_folder"
    CLOSED = "closed"
    CIRCLE = "circle"
    LONG_NAME = "long_name"
    OTHER = "other"  # in the system's words, in `detail`


_BY_NUMBER = {
    errno.ENOENT: Obstacle.NOT_THERE,
    errno.ENOTDIR: Obstacle.NO_FOLDER,
    errno.EISDIR: Obstacle.IS_FOLDER,
    errno.EACCES: Obstacle.CLOSED,
    errno.ELOOP: Obstacle.CIRCLE,
    errno.ENAMETOOLONG: Obstacle.LONG_NAME,
}
# The ends of sentences; where there is none, the system's words say it.
_WHY = {
    Obstacle.NO_NAME: "no file can have this name",
    Obstacle.FOLDER_GONE: "the folder in which this runs is gone",
    Obstacle.FOLDER_CLOSED: "you may not enter the folder {detail}",
    Obstacle.FOLDER_NOT_THERE: "there is no folder {detail}",
    Obstacle.NO_FOLDER: "a part of its path is a file",
    Obstacle.CIRCLE: "its symbolic links lead in a circle",
    Obstacle.LONG_NAME: "its name is longer than the system allows",
}
_UNREAD = {
    Obstacle.NO_NAME: "there is no such file, as {why}; check the path",
    Obstacle.NOT_THERE: "there is no such file; check the path",
    Obstacle.FOLDER_NOT_THERE: "there is no such file, as {why}; check the path",
    Obstacle.NO_FOLDER: "there is no such file, as a part of its path is not a folder; check the path",
    Obstacle.IS_FOLDER: "this is a folder; name a file in it",
    Obstacle.CLOSED: "you may not read this file; change its permissions",
}


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a file cannot be opened or written.

    Attributes:
        obstacle: What stands in the way.
        detail: The folder that is closed or missing; for what has no words of ours, those of the system.
    """

    obstacle: Obstacle
    detail: str

    @property
    def why(self) -> str:
        """The end of a sentence: "its name is longer than the system allows"."""
        return _WHY.get(self.obstacle, "{detail}").format(detail=self.detail)

    @property
    def unread(self) -> str:
        """Why an input cannot be read and what to do, one sentence for all of them, without its stop."""
        other = "the file cannot be opened, as {why}; check the path"
        return _UNREAD.get(self.obstacle, other).format(why=self.why)


def unusable(error: OSError | ValueError, path: str) -> Unusable:
    """Return why `path` cannot be opened or written, from what opening or writing it raised."""
    if not isinstance(error, OSError):
        return Unusable(Obstacle.NO_NAME, "")
    obstacle = _BY_NUMBER.get(error.errno or 0, Obstacle.OTHER)
    if obstacle is Obstacle.NOT_THERE and not Path(path).is_absolute() and _is_gone():
        return Unusable(Obstacle.FOLDER_GONE, "")
    if obstacle is Obstacle.CLOSED and (closed := _closed_folder(path)):
        return Unusable(Obstacle.FOLDER_CLOSED, closed)
    if obstacle is Obstacle.NOT_THERE and not (folder := Path(path).parent).is_dir():
        return Unusable(Obstacle.FOLDER_NOT_THERE, str(folder))
    return Unusable(obstacle, system_reason(error))


def unread(path: str) -> Unusable | None:
    """Return why a file cannot be read, or None where it can."""
    try:
        if stat.S_ISDIR(Path(path).stat().st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not os.access(path, os.R_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except (OSError, ValueError) as error:
        return unusable(error, path)
    return None


def _is_gone() -> bool:
    try:
        Path.cwd()
    except OSError:
        return True
    return False


def _closed_folder(path: str) -> str | None:
    """Return the first folder on the way to a file that may not be entered."""
    above = reversed(Path(path).parents)
    return next((str(one) for one in above if one.is_dir() and not os.access(one, os.X_OK)), None)
