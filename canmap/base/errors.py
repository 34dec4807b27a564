"""The failures that end a command, each one sentence: what, where, what to do.

A bad value in a capture is data and becomes a finding; an unusable file, description or spec is a
failure and raises one of these. Nothing else leaves the package.
"""

from __future__ import annotations

import re

from canmap.base.dataclass import dataclass

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
# What steers a terminal or turns its text round: C0, DEL, C1, separators of lines, bidirectional controls,
# marks without width, and what no encoding holds (half a surrogate pair; a byte of a name that is no UTF-8).
_STEERING = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e007f]"
)
_LONG_WORD = re.compile(r"(\S{64})\S{4,}")
_MOST_REASON = 200  # characters of what a library says


def readable(text: str) -> str:
    """Return a sentence on one line, with the long words that it took from a file cut short."""
    return _LONG_WORD.sub(r"\1...", _CONTROL.sub(" ", text))


def printable(text: str) -> str:
    """Return a text from outside as it may reach a terminal: what would steer that is shown as a code.

    Channels, file names and texts of a spec, a description or a capture pass here before they are printed.
    """
    return _STEERING.sub(lambda found: _code(found[0]), text)


def _code(character: str) -> str:
    number = ord(character)
    if 0xDC80 <= number <= 0xDCFF:  # stands for the byte of a file name that is no UTF-8
        number -= 0xDC00
    return f"\\x{number:02x}" if number <= 0xFF else f"\\u{number:04x}"


def system_reason(error: OSError) -> str:
    """Return what the system says of a failure, as the end of a sentence."""
    return (error.strerror or library_reason(error)).lower()


def library_reason(error: BaseException) -> str:
    """Return what a library says of a failure, as a part of a sentence: a line, cut short, without its stop.

    For a reader only: which failure it is has to be asked of its class and its attributes.
    """
    first, *_ = str(error).splitlines() or [""]
    return readable(first).strip()[:_MOST_REASON].rstrip(".")


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
    """A result that cannot be written where the user asked for it.

    Attributes:
        file: The file it is about, with which the text begins; None where the text names what it is about.
    """

    def __init__(self, text: str, *, file: str | None = None) -> None:
        super().__init__(text)
        self.file = file

    def __str__(self) -> str:
        text = super().__str__()
        return text if self.file is None else f"{self.file}: {text}"


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
