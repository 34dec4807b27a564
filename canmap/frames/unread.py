"""Why something of a capture was not read, as data: a kind and its details; the words are made last."""

from __future__ import annotations

from enum import StrEnum

from canmap.base.dataclass import dataclass


class UnreadKind(StrEnum):
    """What is not read."""

    UNREADABLE = "unreadable"  # one line or object
    TOO_SLOW = "too_slow"  # lines that would each take their time, out of a small packed file
    STOPPED = "stopped"  # all that follows: the data are damaged
    CUT_SHORT = "cut_short"  # what is not there: the capture ends before it says it should
    NO_FRAME = "no_frame"  # nothing: the capture holds none


# What is stated of a capture as a whole, and not of a line in it.
_OF_A_CAPTURE = {UnreadKind.CUT_SHORT: "ends before it should", UnreadKind.NO_FRAME: "holds no frame"}
_TOO_SLOW = "the compressed file has too many lines of unusual form; unpack it first"


@dataclass(frozen=True, slots=True)
class Unread:
    """Why a line, an object or the rest of a capture was not read.

    Attributes:
        kind: What is not read.
        detail: Why, as the end of a sentence ("the payload has an odd number of digits"); for a capture that
            was cut, what tells it.
        inside: What a capture that was cut ends in the middle of: "a line".
    """

    kind: UnreadKind
    detail: str = ""
    inside: str = ""

    def __str__(self) -> str:
        """The end of a sentence: "it ends before it should, in the middle of a line"."""
        if self.kind in _OF_A_CAPTURE:
            return f"it {self._predicate}"
        return _TOO_SLOW if self.kind is UnreadKind.TOO_SLOW else self.detail

    def sentence(self, capture: str, line: int) -> str:
        """Return the whole sentence, about a line of a capture or about the capture."""
        if self.kind in _OF_A_CAPTURE:
            return f"{capture} {self._predicate}."
        return f"Line {line} of {capture} cannot be read: {self}."

    @property
    def _predicate(self) -> str:
        """What the capture does."""
        inside = f", in the middle of {self.inside}" if self.inside else ""
        return _OF_A_CAPTURE[self.kind] + inside + (f": {self.detail}" if self.detail else "")


TOO_SLOW = Unread(UnreadKind.TOO_SLOW)
NO_FRAME = Unread(UnreadKind.NO_FRAME)


def cut_short(detail: str = "", inside: str = "") -> Unread:
    """Return that a capture ends before it should; see `Unread`."""
    return Unread(UnreadKind.CUT_SHORT, detail, inside)


CUT_PACKED = cut_short("its compressed data are not complete")


def stopped(detail: str) -> Unread:
    """Return that nothing is read from here on, for a reason in whole words."""
    return Unread(UnreadKind.STOPPED, detail)


def damaged(cause: object) -> Unread:
    """Return that nothing can be read from here on, for a cause."""
    return stopped(f"the data cannot be read from here on ({cause})")


def as_unread(why: str | Unread) -> Unread:
    """Return why something was not read; a text says it of one line or object."""
    return Unread(UnreadKind.UNREADABLE, why) if isinstance(why, str) else why
