"""Lines taken to columns together are what each is when it is read alone, whatever is wrong with some."""

from __future__ import annotations

import io
from contextlib import suppress
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.chunks import COLUMNS, FrameKind, join
from canmap.frames.asc import AscLines
from canmap.frames.csvrows import CsvLines
from canmap.frames.linewise import read_lines
from canmap.frames.row import UnreadableError
from canmap.frames.trc import TrcLines

if TYPE_CHECKING:
    from canmap.chunks import FrameChunk
    from canmap.frames.linewise import LineGrammar

GRAMMARS = {".asc": AscLines, ".csv": CsvLines, ".trc": TrcLines}
HEX = "0123456789abcdefABCDEF"
ODD = [
    "", "0", "x", "-1", "1.", ".5", "1e-05", "1.5.5", "٣", "²", "0x", "Rx", "tx", "FFFFFFFF", "123456789",
    "RTR", "1.12345678901234567890", "12345678901234567.5", "9223372036.5", "9223372035.9", "1,5", "1f",
    "ErrorFrame", "99999999999999999999", "0x7FF", "=", "d", "r", "00", "65", "64", "48", "9", "DT", "FD",
    "RR", "ER", "CANFD",
]  # fmt: skip


def stamp(rng: Random) -> str:
    return f"{rng.randrange(10 ** rng.randrange(1, 11))}.{rng.randrange(10**6):0{rng.randrange(1, 16)}}"


def identifier(rng: Random) -> str:
    digits = rng.choice((3, 3, 4, 8))
    return f"{rng.randrange(1 << min(29, 4 * digits)):0{digits}{rng.choice('xX')}}"


def pairs(rng: Random, count: int) -> str:
    return " ".join(rng.choice(HEX) + rng.choice(HEX) for _ in range(count))


def asc_line(rng: Random) -> list[str]:
    mark = rng.choice(("", "x", "x", "X"))
    if rng.random() < 0.3:
        count = rng.choice((0, 8, 12, 20, 64, 10))
        fields = [
            stamp(rng),
            "CANFD",
            "2",
            "Rx",
            identifier(rng) + mark,
            "1",
            "0",
            "a",
            str(count),
            pairs(rng, count),
        ]
        return [*fields, "120", "4", rng.choice(("303000", "0", "1000", "200"))][: rng.choice((10, 13))]
    count = rng.randrange(9)
    kind = rng.choice(("d", "d", "d", "d", "D", "r"))
    tail = rng.choice(("", "", " Length = 5", "\t\x1c9"))
    return [
        stamp(rng), rng.choice(("1", "2", "01")), identifier(rng) + mark, rng.choice(("Rx", "Tx")), kind,
        rng.choice((f"{count:x}", f"{count:x}", "F")), pairs(rng, count) + tail,
    ]  # fmt: skip


def trc_line(rng: Random) -> list[str]:
    count = rng.choice((0, 1, 7, 8, 8, 8, 12, 64))
    kind = rng.choice(("DT", "DT", "FD", "FB", "RR", "ER")) if count <= 8 else "FD"
    data = "RTR" if kind == "RR" else pairs(rng, count)
    way = rng.choice(("Rx", "Tx"))
    return [f"{rng.randrange(99)})", stamp(rng), kind, "1", identifier(rng), way, "-", str(count), data]


def csv_line(rng: Random) -> list[str]:
    count = rng.choice((0, 1, 2, 3, 7, 8, 8, 12, 64))
    groups = "".join(rng.choice("ABCDxyz0189+/") for _ in range(4 * -(-count // 3)))
    data = groups[: len(groups) - (-count % 3)] + "=" * (-count % 3)
    yes = [rng.choice("01"), "0" if rng.random() < 0.9 else "1", "0" if rng.random() < 0.9 else "1"]
    return [stamp(rng), "0x" + identifier(rng), *yes, str(count), data]


LINE = {".asc": asc_line, ".csv": csv_line, ".trc": trc_line}
HEADERS = {
    ".asc": [
        "date Sat Sep 30 15:06:13.191 2017",
        "base hex  timestamps absolute",
        "base dec timestamps absolute",
    ],
    ".csv": ["timestamp,arbitration_id,extended,remote,error,dlc,data"],
    ".trc": [";$STARTTIME=44548.6028595139", ";$COLUMNS=N,O,T,B,I,d,R,L,D", ";$FILEVERSION=2.1"],
}
PART = {
    ".asc": (" ", " ", "  ", "\t", " \x0b"),
    ".csv": (",", ",", ",", ", "),
    ".trc": (" ", " ", "   ", "\t"),
}


def some_line(rng: Random, ending: str) -> str:
    """A line that is mostly good."""
    if rng.random() < 0.05:
        return rng.choice([*HEADERS[ending], "", "   ", "// x", ";", "begin of nothing"])
    fields = LINE[ending](rng)
    if rng.random() < 0.25:
        fields[rng.randrange(len(fields))] = rng.choice(ODD)
    parted = fields[0] + "".join(rng.choice(PART[ending]) + field for field in fields[1:])
    line = rng.choice(("", "", "", "  ", ";", "b")) * (ending != ".csv") + parted + rng.choice(("", "", "\r", " "))
    if rng.random() < 0.1:
        at = rng.randrange(len(line) + 1)
        line = (
            line[:at]
            + rng.choice(("", "\x00", " ", "\xa0", "z", ".", ";", "\x85"))
            + line[at + rng.randrange(2) :]
        )
    return line


def read_all(text: bytes, grammar: LineGrammar) -> FrameChunk:
    return join(read_lines("drive", io.BufferedReader(io.BytesIO(text)), grammar))


def capture(ending: str, seed: int, lines: int) -> bytes:
    rng = Random(seed)
    head = HEADERS[ending][1:2] if rng.random() < 0.8 else []
    if rng.random() < 0.1:
        return (
            rng.choice((b"1 1\n", b"\n", b"x\n", b"1 CANFD 1 Rx 1 1\n", b",,,,,,\n", b"1 2 3 4 5\n")) * lines
        )
    written = [*head, *(some_line(rng, ending) for _ in range(lines))]
    return "\n".join(written).encode("latin-1", "replace") + rng.choice((b"\n", b""))


def told(chunk: FrameChunk) -> dict[str, list[object]]:
    names = [chunk.channels[number] for number in chunk.channel.tolist()]
    columns = {name: getattr(chunk, name).tolist() for name in COLUMNS if name not in {"channel", "payload"}}
    payload = [bytes(row).rstrip(b"\0") for row in chunk.payload]
    return {**columns, "name": names, "payload": payload, "bad": list(chunk.bad), "count": [chunk.bad_count]}


@pytest.mark.parametrize("ending", GRAMMARS)
@given(seed=st.integers(0, 2**32), lines=st.integers(0, 60))
def test_columns_are_what_lines_are_alone(ending: str, seed: int, lines: int) -> None:
    class Alone(GRAMMARS[ending]):  # type: ignore[misc]
        def columns(self, *_: object) -> list[FrameChunk]:
            return []

    text = capture(ending, seed, lines)
    assert told(read_all(text, GRAMMARS[ending]())) == told(read_all(text, Alone()))


@pytest.mark.parametrize("ending", GRAMMARS)
def test_good_lines_are_not_read_alone(ending: str) -> None:
    alone: list[str] = []

    class Counting(GRAMMARS[ending]):  # type: ignore[misc]
        def read(self, line: str) -> object:
            alone.append(line)
            return super().read(line)

    rng = Random(5)
    fd_frames = 0
    written = [HEADERS[ending][1 % len(HEADERS[ending])]]
    grammar = GRAMMARS[ending]()
    grammar.read(written[0])
    while len(written) < 1000:
        line = (" " if ending != ".csv" else ",").join(LINE[ending](rng))
        with suppress(UnreadableError):
            row = grammar.read(line)
            if row is not None and row.kind == FrameKind.DATA and " D " not in line:
                fd_frames += row.length > 8
                written.append(line)
    chunk = read_all("\n".join([*written, ""]).encode("latin-1"), Counting())
    assert len(chunk) == 999
    assert fd_frames > 50
    assert len(alone) < 70, alone[:5]  # the header, and frames without payload before what may be RTR
