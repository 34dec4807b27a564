"""Frames, SocketCAN text, one line at a time: the grammar, and every reason why a line cannot be read.

In: one line as bytes. Out: its frame, or the reason. Slow and plain on purpose: the columnar reader in
`block` hands it whatever is not the same as its neighbours, and must agree with it everywhere.

The form is `(seconds.fraction) channel identifier#data`, as described in the SocketCAN user-space
header lib.h and by the Linux kernel's include/uapi/linux/can.h for the identifier word.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from canmap.frames.chunks import (
    FD_LENGTHS,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import (
    ERROR_BIT,
    EXTENDED_BIT,
    EXTENDED_LIMIT,
    REMOTE_BIT,
    STANDARD_LIMIT,
    Row,
    UnreadableError,
)

LONGEST_LINE = 64 * 1024
LATEST_SECOND = 9_223_372_035  # one whole second below the end of int64 nanoseconds

FOREIGN_BITS = EXTENDED_BIT | REMOTE_BIT  # those of the identifier word that no text log writes

_BLANK = re.compile(r"[ \t]+")
_STAMP = re.compile(r"\(([0-9]{1,10})\.([0-9]{1,9})\)")
_HEX = re.compile(r"[0-9A-Fa-f]+")
_REMOTE = re.compile(r"[Rr]([0-9A-Fa-f]?)")
_DIRECTIONS = {"R": FLAG_RECEIVED, "T": FLAG_SENT}


class _Identifier(NamedTuple):
    can_id: int
    extended: bool
    error: bool


class _Body(NamedTuple):
    kind: FrameKind
    flags: int
    length: int
    payload: bytes


def parse_line(line: bytes) -> Row | str | None:
    r"""Read one line.

    Args:
        line: The line, without its line feed.

    Returns:
        The frame; or the reason why it cannot be read, as the end of a sentence; or None for a line
        that holds nothing (blank, or a comment that starts with `#`).

    >>> frame = parse_line(b"(1.5) can0 123#AB")
    >>> (frame.t_ns, frame.channel, hex(frame.can_id), frame.payload)
    (1500000000, 'can0', '0x123', b'\xab')
    >>> parse_line(b"(1.5) can0 123#0")
    'the payload has an odd number of digits'
    """
    if len(line) > LONGEST_LINE:
        return f"the line is longer than {LONGEST_LINE // 1024} KiB"
    bare = line.strip(b" \t\r")
    if not bare or bare.startswith(b"#"):
        return None
    try:
        return _frame(bare.decode("utf-8"))
    except UnicodeDecodeError:
        return "the line is not UTF-8 text"
    except UnreadableError as reason:
        return str(reason)


def _frame(text: str) -> Row:
    parts = _BLANK.split(text)
    t_ns = _stamp(parts[0])
    if len(parts) < 3:
        missing = "channel and the frame are" if len(parts) == 1 else "frame or the channel is"
        raise UnreadableError(f"the {missing} missing")
    if len(parts) > 4:
        raise UnreadableError("there is more on the line than a stamp, a channel, a frame and a direction")
    channel, frame = parts[1], parts[2]
    if not channel.isprintable():
        raise UnreadableError("the channel name holds a character that cannot be printed")
    digits, mark, rest = frame.partition("#")
    if not mark:
        raise UnreadableError("the frame has no # between identifier and data")
    identifier = _identifier(digits)
    body = _fd(rest[1:], identifier) if rest.startswith("#") else _classic(rest, identifier)
    flags = body.flags | (_direction(parts[3]) if len(parts) == 4 else 0)
    kind, _, length, payload = body
    return Row(t_ns, channel, identifier.can_id, identifier.extended, kind, flags, length, payload)


def channel_name(text: bytes) -> str | None:
    """Return the channel name that these bytes between two blanks of a line are, or None if they are none."""
    try:
        name = text.decode("utf-8")
    except UnicodeDecodeError:
        return None
    return name if name.isprintable() and " " not in name else None


def _stamp(text: str) -> int:
    match = _STAMP.fullmatch(text)
    if match is None:
        raise UnreadableError("the line does not begin with a stamp like (12.345678)")
    seconds, fraction = match.groups()
    if int(seconds) > LATEST_SECOND:
        raise UnreadableError("the stamp is too late for nanoseconds in 64 bits")
    return int(seconds) * 1_000_000_000 + int(fraction.ljust(9, "0"))


def _direction(text: str) -> int:
    if text not in _DIRECTIONS:
        raise UnreadableError("what follows the frame is not a direction, R or T")
    return _DIRECTIONS[text]


def _identifier(digits: str) -> _Identifier:
    if not _HEX.fullmatch(digits) or len(digits) not in {3, 8}:
        raise UnreadableError("the identifier is not 3 or 8 hexadecimal digits")
    word = int(digits, 16)
    if len(digits) == 3:
        if word > STANDARD_LIMIT:
            raise UnreadableError("a 3-digit identifier goes up to 7FF")
        return _Identifier(word, extended=False, error=False)
    if word & FOREIGN_BITS:
        raise UnreadableError("an 8-digit identifier goes up to 1FFFFFFF, or to 3FFFFFFF for an error frame")
    error = bool(word & ERROR_BIT)
    return _Identifier(word & EXTENDED_LIMIT, extended=not error, error=error)


def _classic(text: str, identifier: _Identifier) -> _Body:
    remote = _REMOTE.fullmatch(text)
    if remote is not None:
        return _remote(remote.group(1), identifier)
    digits, mark, code = text.partition("_")
    payload = _payload(digits)
    if len(payload) > 8:
        raise UnreadableError(f"a classic frame carries up to 8 bytes, not {len(payload)}")
    if mark:
        _check_length_code(code, payload)
    kind = FrameKind.ERROR if identifier.error else FrameKind.DATA
    return _Body(kind, 0, len(payload), payload)


def _check_length_code(code: str, payload: bytes) -> None:
    """Check the raw length code that some controllers report; 9 to 15 all stand for 8 bytes."""
    if len(payload) != 8:
        raise UnreadableError("a raw length code may only follow 8 bytes")
    if len(code) != 1 or not _HEX.fullmatch(code) or int(code, 16) < 9:
        raise UnreadableError("the raw length code is not one digit from 9 to F")


def _remote(digit: str, identifier: _Identifier) -> _Body:
    if identifier.error:
        raise UnreadableError("an error frame cannot be a remote frame")
    length = int(digit or "0", 16)
    if length > 8:
        raise UnreadableError(f"a remote frame asks for up to 8 bytes, not {length}")
    return _Body(FrameKind.REMOTE, 0, length, b"")


def _fd(text: str, identifier: _Identifier) -> _Body:
    if not _HEX.fullmatch(text[:1]):
        raise UnreadableError("an FD frame needs one digit of flags after ##")
    if identifier.error:
        raise UnreadableError("an error frame cannot be an FD frame")
    payload = _payload(text[1:])
    if len(payload) not in FD_LENGTHS:
        raise UnreadableError(f"an FD frame cannot carry {len(payload)} bytes")
    return _Body(FrameKind.DATA, fd_flags(int(text[0], 16)), len(payload), payload)


def fd_flags(digit: int) -> int:
    """Return the FLAG_ bits of an FD frame with this flags digit: bit 0 rate switch, bit 1 error state."""
    rate_switch = FLAG_BIT_RATE_SWITCH if digit & 1 else 0
    return FLAG_FD | rate_switch | (FLAG_ERROR_PASSIVE if digit & 2 else 0)


def _payload(text: str) -> bytes:
    """Return the bytes of digit pairs; a dot may stand between two bytes."""
    if not text:
        return b""
    groups = text.split(".")
    if not all(groups):
        raise UnreadableError("a dot in the payload does not stand between two bytes")
    if not all(_HEX.fullmatch(group) for group in groups):
        raise UnreadableError("the payload holds something other than hexadecimal digits")
    if any(len(group) % 2 for group in groups):
        raise UnreadableError("the payload has an odd number of digits")
    return bytes.fromhex("".join(groups))
