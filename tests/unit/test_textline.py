"""One line of SocketCAN text: what it says, and why it cannot be read."""

import doctest

import pytest

from canmap.frames.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import Row
from canmap.frames.text import line as textline
from canmap.frames.text.line import LONGEST_LINE, parse_line


def frame_of(line: bytes) -> Row:
    frame = parse_line(line)
    assert isinstance(frame, Row), frame
    return frame


@pytest.mark.parametrize(
    ("stamp", "t_ns"),
    [
        (b"(0.0)", 0),
        (b"(0.000001)", 1_000),
        (b"(1700000000.123456)", 1_700_000_000_123_456_000),
        (b"(1700000000.123456789)", 1_700_000_000_123_456_789),
        (b"(1700000000.5)", 1_700_000_000_500_000_000),
        (b"(0012.340)", 12_340_000_000),
        (b"(9223372035.999999999)", 9_223_372_035_999_999_999),
    ],
)
def test_stamp_is_exact(stamp: bytes, t_ns: int) -> None:
    assert frame_of(stamp + b" can0 123#").t_ns == t_ns


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        (b"7ff#", (0x7FF, False, FrameKind.DATA, 0, 0, b"")),
        (b"7FF#aB", (0x7FF, False, FrameKind.DATA, 0, 1, b"\xab")),
        (b"000007FF#01", (0x7FF, True, FrameKind.DATA, 0, 1, b"\x01")),
        (b"1FFFFFFF#0102030405060708", (0x1FFFFFFF, True, FrameKind.DATA, 0, 8, b"\1\2\3\4\5\6\7\x08")),
        (b"123#11.22.33", (0x123, False, FrameKind.DATA, 0, 3, b"\x11\x22\x33")),
        (b"123#11.2233", (0x123, False, FrameKind.DATA, 0, 3, b"\x11\x22\x33")),
        (
            b"123#1122334455667788_F",
            (0x123, False, FrameKind.DATA, 0, 8, b"\x11\x22\x33\x44\x55\x66\x77\x88"),
        ),
        (b"123#R", (0x123, False, FrameKind.REMOTE, 0, 0, b"")),
        (b"123#r4", (0x123, False, FrameKind.REMOTE, 0, 4, b"")),
        (b"123##0", (0x123, False, FrameKind.DATA, FLAG_FD, 0, b"")),
        (b"123##1aa", (0x123, False, FrameKind.DATA, FLAG_FD | FLAG_BIT_RATE_SWITCH, 1, b"\xaa")),
        (b"123##2aa", (0x123, False, FrameKind.DATA, FLAG_FD | FLAG_ERROR_PASSIVE, 1, b"\xaa")),
        (b"123##4" + b"5A" * 12, (0x123, False, FrameKind.DATA, FLAG_FD, 12, b"Z" * 12)),
        (b"20000004#0001000000000000", (0x4, False, FrameKind.ERROR, 0, 8, b"\0\1\0\0\0\0\0\0")),
        (b"20000080#", (0x80, False, FrameKind.ERROR, 0, 0, b"")),
    ],
)
def test_frame_part(text: bytes, fields: tuple[int, bool, FrameKind, int, int, bytes]) -> None:
    assert frame_of(b"(1.5) can0 " + text) == Row(1_500_000_000, "can0", *fields)


@pytest.mark.parametrize(
    ("tail", "flags"), [(b"", 0), (b" R", FLAG_RECEIVED), (b" T", FLAG_SENT), (b" T\r", FLAG_SENT)]
)
def test_direction_and_line_end(tail: bytes, flags: int) -> None:
    assert frame_of(b" \t(1.5)\t can0  123#11" + tail).flags == flags


@pytest.mark.parametrize("line", [b"", b" \t ", b"\r", b"# (1.5) can0 123#", b"  #\xff\x00"])
def test_nothing_on_the_line(line: bytes) -> None:
    assert parse_line(line) is None


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"1.5 can0 123#11", "does not begin with a stamp"),
        (b"(1.5 can0 123#11", "does not begin with a stamp"),
        (b"(1) can0 123#11", "does not begin with a stamp"),
        (b"(1.) can0 123#11", "does not begin with a stamp"),
        (b"(-1.5) can0 123#11", "does not begin with a stamp"),
        (b"(1.1234567890) can0 123#11", "does not begin with a stamp"),
        (b"(1.5)can0 123#11", "does not begin with a stamp"),
        ("(١.5) can0 123#11".encode(), "does not begin with a stamp"),
        (b"(9223372036.0) can0 123#11", "too late for nanoseconds in 64 bits"),
        (b"(1.5)", "the channel and the frame are missing"),
        (b"(1.5) 123#11", "the frame or the channel is missing"),
        (b"(1.5) can0 123#11 R R", "more on the line"),
        (b"(1.5) can0 123#11 X", "not a direction"),
        (b"(1.5) ca\x07n0 123#11", "cannot be printed"),
        (b"(1.5) can0 12311", "no #"),
        (b"(1.5) can0 #11", "not 3 or 8 hexadecimal digits"),
        (b"(1.5) can0 12#11", "not 3 or 8 hexadecimal digits"),
        (b"(1.5) can0 1234#11", "not 3 or 8 hexadecimal digits"),
        (b"(1.5) can0 12G#11", "not 3 or 8 hexadecimal digits"),
        (b"(1.5) can0 800#11", "up to 7FF"),
        (b"(1.5) can0 40000123#11", "up to 1FFFFFFF"),
        (b"(1.5) can0 80000123#11", "up to 1FFFFFFF"),
        (b"(1.5) can0 123#1", "odd number of digits"),
        (b"(1.5) can0 123#1.1", "odd number of digits"),
        (b"(1.5) can0 123#11..22", "does not stand between two bytes"),
        (b"(1.5) can0 123#.11", "does not stand between two bytes"),
        (b"(1.5) can0 123#11.", "does not stand between two bytes"),
        (b"(1.5) can0 123#1G", "other than hexadecimal digits"),
        (b"(1.5) can0 123#112233445566778899", "up to 8 bytes, not 9"),
        (b"(1.5) can0 123#11_9", "only follow 8 bytes"),
        (b"(1.5) can0 123#1122334455667788_8", "not one digit from 9 to F"),
        (b"(1.5) can0 123#1122334455667788_", "not one digit from 9 to F"),
        (b"(1.5) can0 123#R9", "up to 8 bytes, not 9"),
        (b"(1.5) can0 20000001#R", "cannot be a remote frame"),
        (b"(1.5) can0 20000001##0" + b"00" * 8, "cannot be an FD frame"),
        (b"(1.5) can0 123##", "one digit of flags"),
        (b"(1.5) can0 123##R", "one digit of flags"),
        (b"(1.5) can0 123##0" + b"00" * 9, "cannot carry 9 bytes"),
        (b"(1.5) can0 123##0" + b"00" * 65, "cannot carry 65 bytes"),
        (b"(1.5) can0 123##011_9", "other than hexadecimal digits"),
        (b"(1.5) can\xff 123#11", "not UTF-8 text"),
        (b"#" * (LONGEST_LINE + 1), "longer than 64 KiB"),
    ],
)
def test_reason(line: bytes, reason: str) -> None:
    found = parse_line(line)
    assert isinstance(found, str)
    assert reason in found


def test_documented_examples() -> None:
    result = doctest.testmod(textline)
    assert result.attempted > 0
    assert result.failed == 0
