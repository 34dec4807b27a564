"""The failures that end a command, each one sentence: what, where, what to do.

A bad value in a capture is data and becomes a finding; an unusable file, description or spec is a
failure and raises one of these. Nothing else leaves the package.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
# What steers a terminal or turns its text round: C0, DEL, C1, separators of lines, bidirectional controls,
# marks without width, and what no encoding holds (half a surrogate pair; a byte of a name that is no UTF-8).
_STEERING = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e007f]"
)
_LONG_WORD = re.compile(r"(\S{64})\S{4,}")


def readable(text: str) -> str:
    """Return a sentence on one line, with the long words that it took from a file cut short."""
    return _LONG_WORD.sub(r"\1...", _CONTROL.sub(" ", text))


def printable(text: str) -> str:
    """Return a text from outside as it may reach a terminal: what would steer that is told as a code.

    Channels, file names and texts of a spec, a description or a capture pass here before they are printed.
    """
    return _STEERING.sub(lambda found: _code(found[0]), text)


def _code(character: str) -> str:
    number = ord(character)
    if 0xDC80 <= number <= 0xDCFF:  # stands for the byte of a file name that is no UTF-8
        number -= 0xDC00
    return f"\\x{number:02x}" if number <= 0xFF else f"\\u{number:04x}"


def why_unusable(error: OSError | ValueError, path: str) -> str:
    """Return why a file cannot be opened or written, as the end of a sentence."""
    number = getattr(error, "errno", None)
    if not isinstance(error, OSError):
        return "no file can have this name"
    if number == errno.ENOENT and not Path(path).is_absolute() and _is_gone():
        return "the folder in which this runs is gone"
    if number == errno.EACCES and (closed := _closed_folder(path)):
        return f"you may not enter the folder {closed}"
    if number == errno.ENOENT and not (folder := Path(path).parent).is_dir():
        return f"there is no folder {folder}"
    return {
        errno.ELOOP: "its symbolic links lead in a circle",
        errno.ENAMETOOLONG: "its name is longer than the system allows",
    }.get(number or 0, (error.strerror or str(error)).lower())


def why_unread(error: OSError | ValueError, path: str) -> str:
    """Return why an input cannot be read and what to do, one sentence for all of them, without its stop."""
    number = getattr(error, "errno", None)
    why = why_unusable(error, path)
    if not isinstance(error, OSError):
        return f"there is no such file, as {why}; check the path"
    if number == errno.ENOENT and not why.startswith("the folder"):
        return "there is no such file; check the path"
    if number == errno.ENOTDIR:
        return "there is no such file, as a part of its path is no folder; check the path"
    if number == errno.EISDIR:
        return "this is a folder; name a file in it"
    if number == errno.EACCES and not why.startswith("you may not"):
        return "you may not read this file; change its permissions"
    return f"the file cannot be opened, as {why}; check the path"


def unread(path: str) -> str | None:
    """Return why a file cannot be read, as `why_unread` says it, or None where it can."""
    try:
        if stat.S_ISDIR(Path(path).stat().st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not os.access(path, os.R_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except (OSError, ValueError) as error:
        return why_unread(error, path)
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


class CanmapError(Exception):
    """Root of every failure that canmap reports; its text is shown to the user as it is."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One mistake in a text file.

    Attributes:
        file: The file as the user named it.
        line: Line, from 1; 0 where the whole file is meant.
        column: Column in characters, from 1; 0 where the whole line is meant.
        text: One sentence: what is wrong and what to do.
    """

    file: str
    line: int
    column: int
    text: str

    def __str__(self) -> str:
        """Return ``file:line:column: text`` without the parts that are 0."""
        place = ":".join([self.file, *(str(n) for n in (self.line, self.column) if n)])
        return f"{place}: {self.text}"


class FaultyFileError(CanmapError, ValueError):
    """A text file with mistakes in it, all of them reported together.

    Attributes:
        faults: Every mistake, in the order of the file.
    """

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(faults)
        self.faults = faults

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class SpecError(FaultyFileError):
    """A mapping spec that cannot be used."""


class DescriptionError(FaultyFileError):
    """A bus description (DBC) that cannot be used."""


class CaptureError(CanmapError, OSError):
    """A capture that cannot be read, or holds no frame."""


class OutputError(CanmapError, OSError):
    """A result that cannot be written where the user asked for it."""


class UsageError(CanmapError, ValueError):
    """A request that contradicts itself or names something that does not exist."""


class ArgumentError(UsageError):
    """An argument of a function that cannot be carried out.

    Attributes:
        argument: Its name, as a program writes it.
        reason: What is wrong with it and what to do, for a caller who has another name for it.
    """

    def __init__(self, argument: str, reason: str) -> None:
        super().__init__(f"{argument}: {reason}")
        self.argument = argument
        self.reason = reason
