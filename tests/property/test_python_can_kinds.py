"""Every kind of line and object that python-can reads: files with all of them, read by both.

What they hold is taken from python-can's `can/io/asc.py`, `blf.py`, `trc.py`, `csv.py` and `sqlite.py`. Two
things are left out, in which python-can is wrong: an FD frame without payload of an `.asc`, which its writer
writes and its reader takes for a remote frame, and an `rx` in small letters, which it takes for sent.
"""

from __future__ import annotations

import random
import struct
import zlib
from typing import TYPE_CHECKING

import can
import pytest

from canmap.frames.chunks import FD_LENGTHS
from tests.captures import read
from tests.pythoncan import assert_same, by_column, by_python_can

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LINES = 400
SEEDS = range(4)


def assert_read_alike(path: Path, fewest: int = LINES) -> None:
    chunk, expected = read(path), by_python_can(path)
    assert chunk.bad == ()
    assert len(expected) >= fewest
    assert_same(by_column(chunk), expected)


HEADERS = {
    "hex": "date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\ninternal events logged\n",
    "dec": "date Fre Mai 5 3:06:13.191 pm 2017\nbase dec  timestamps relative\nno internal events logged\n",
    "no fraction": "date Die Okt 31 15:06:13 2017\nbase hex\ninternal events logged\n",
    "a block": "date x Dez 1 12:06:13.004 am 2017\nbase hex\ninternal events logged\n"
    "Begin Triggerblock Sat Jan 30 10:06:13.191 PM 2021\n",
}


class Asc:
    """Lines of an ASC text, with numbers of one base."""

    def __init__(self, rng: random.Random, base: str) -> None:
        self._rng = rng
        self._number = "{:X}" if base == "hex" else "{}"
        self._byte = "{:02X}" if base == "hex" else "{}"

    def _identifier(self) -> str:
        if self._rng.random() < 0.3:
            return self._number.format(self._rng.randrange(1 << 29)) + self._rng.choice("xX")
        return self._number.format(self._rng.randrange(1 << 11))

    def _bytes(self, data: bytes) -> str:
        return " ".join(self._byte.format(one) for one in data)

    def classic(self) -> str:
        data = self._rng.randbytes(self._rng.randrange(9))
        tail = self._rng.choice(["", "  Length = 240000 BitCount = 124 ID = 36x"])
        way = self._rng.choice(["Rx", "Tx"])
        return f"{self._identifier():15} {way}   d {len(data)} {self._bytes(data)}{tail}"

    def remote(self) -> str:
        asked = self._rng.choice(["r", "R 8", "r 0", "r 5  Length = 1704000 BitCount = 145 ID = 88x", "r x"])
        return f"{self._identifier()} {self._rng.choice(['Rx', 'Tx'])} {asked}"

    def error(self) -> str:
        return self._rng.choice(["ErrorFrame", "errorframe ECC: 10100010", "ERRORFRAME  Flags = 0xe CodeExt"])

    def fd(self) -> str:
        data = self._rng.randbytes(self._rng.choice(FD_LENGTHS[1:]))
        name, field = self._rng.choice(["", "Name_12"]), self._rng.choice(["303000", "0", "1000", "200050"])
        code = self._number.format(FD_LENGTHS.index(len(data)))
        tail = self._rng.choice(["", f" 102203 133 {field} e0006659 46500250 4b140250 20011736 2001040d"])
        flags = f"{self._rng.randrange(2)} {self._rng.randrange(2)}"
        way = self._rng.choice(["Rx", "Tx"])
        return (
            f"{way} {self._identifier():>9} {name:>33} {flags} {code} {len(data):2} {self._bytes(data)}{tail}"
        )

    def fd_remote(self) -> str:
        tail = "140000 73 200050 7a60 46500250 460a0250 20011736 20010205"
        return (
            f"Tx {self._identifier()} {self._rng.choice(['', 'Name'])} 0 1 {self._rng.randrange(9)} 0 {tail}"
        )

    def fd_error(self) -> str:
        return "Rx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44 0 0 f 64 00"

    def line(self) -> str:
        rng = self._rng
        at, channel = f"{rng.uniform(0, 2000):.{rng.choice([4, 6, 6])}f}", rng.choice(["1", "2", "02"])
        classic, fd = (self.classic, self.remote, self.error), (self.fd, self.fd_remote, self.fd_error)
        if rng.random() < 0.6:
            return f"{at:>11} {channel}  {rng.choices(classic, [8, 1, 1])[0]()}"
        return f"{at:>11} CANFD {channel:>3} {rng.choices(fd, [8, 1, 1])[0]()}"

    def other(self) -> str:
        return self._rng.choice([
            "   1.5 Start of measurement", "// a remark", "", "   2.5 CAN 1 Status:chip status error active",
            "   1.5 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
            "   1.5 2  J1939TP FEE3p        6    0  0   -   Rx   d 23 A0 0F A6 60 3B D1 40",
        ])  # fmt: skip


@pytest.mark.parametrize("header", HEADERS)
@pytest.mark.parametrize("seed", SEEDS)
def test_asc(tmp_path: Path, header: str, seed: int) -> None:
    lines = Asc(random.Random(seed), "dec" if header == "dec" else "hex")
    text = [line for _ in range(LINES) for line in (lines.line(), lines.other())]
    path = tmp_path / "drive.asc"
    path.write_text(HEADERS[header] + "\n".join(text) + "\nEnd TriggerBlock\n")
    assert_read_alike(path)


START = ";$STARTTIME=44548.6028595139\n"
VERSIONS = {
    "1.0": "; Start time: 18.12.2021 14:28:07.062\n",
    "1.1": ";$FILEVERSION=1.1\n" + START,
    "1.3": ";$FILEVERSION=1.3\n" + START,
    "2.0": ";$FILEVERSION=2.0\n" + START + ";$COLUMNS=N,O,T,I,d,l,D\n",
    "2.1": ";$FILEVERSION=2.1\n" + START + ";$COLUMNS=N,O,T,B,I,d,R,L,D\n",
    "other columns": ";$FILEVERSION=2.1\n" + START + ";$COLUMNS=O,T,I,d,B,l,D\n",
}
FD_TYPES = ("FD", "FB", "FE", "BI")


def trc_lines(rng: random.Random, version: str) -> Iterator[str]:
    for number in range(1, LINES + 1):
        remote = rng.random() < 0.2
        kind = rng.choice(("DT", *FD_TYPES)) if version not in {"1.0", "1.1", "1.3"} else "DT"
        data = rng.randbytes(rng.choice(range(9) if kind == "DT" else FD_LENGTHS))
        told = {
            "N": f"{number})", "O": f"{rng.uniform(0, 1e6):.3f}", "B": rng.choice("12"), "R": "-",
            "I": f"{rng.randrange(1 << 29):08X}" if rng.random() < 0.3 else f"{rng.randrange(1 << 11):04X}",
            "d": rng.choice(["Rx", "Tx"]), "T": "RR" if remote else kind, "D": data.hex(" ").upper(),
            "l": str(len(data)), "L": str(FD_LENGTHS.index(len(data))),
        }  # fmt: skip
        if remote:
            told |= {"l": "8", "L": "8", "D": "RTR" if version < "2" else ""}
        yield " ".join(told[column] for column in COLUMNS[version])
        yield rng.choice(OTHERS[version])


COLUMNS = {
    "1.0": "NOIlD", "1.1": "NOdIlD", "1.3": "NOBdIRlD", "2.0": "NOTIdlD", "2.1": "NOTBIdRLD",
    "other columns": "OTIdBlD",
}  # fmt: skip
OTHERS = {
    "1.0": ["5) 1.0 FFFFFFFF 4 00 00 00 00", "; a remark", ""],
    "1.1": ["5) 1.0 Warng FFFFFFFF 4 00 00 00 08 BUSLIGHT", "5) 1.0 Error 0008 4 00 19 08 08", "; x"],
    "1.3": ["5) 1.0 1 Warng FFFFFFFF - 4 00 00 00 08", "5) 1.0 2 Error - - 4 00 19 08 08", ""],
    "2.0": ["5 1.0 ST  Rx 4 00 00 00 08", "5 1.0 ER  Rx 5 04 00 02 00 00", "; x", ""],
    "2.1": ["5 1.0 ST 1 - Rx - 4 00 00 00 08", "5 1.0 EC 1 - Rx - 2 00 00", "5 1.0 EV 1 told"],
    "other columns": ["1.0 ER - Rx 1 5 04 00 02 00 00", ";"],
}


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("seed", SEEDS)
def test_trc(tmp_path: Path, version: str, seed: int) -> None:
    path = tmp_path / "drive.trc"
    text = "\n".join(trc_lines(random.Random(seed), version))
    path.write_text(VERSIONS[version] + text.rstrip("\n") + "\n")
    assert_read_alike(path)


def test_a_version_of_trc_that_is_not_known_is_read_as_the_first_and_told(tmp_path: Path) -> None:
    path = tmp_path / "drive.trc"
    text = "\n".join(trc_lines(random.Random(1), "1.0"))
    path.write_text(";$FILEVERSION=1.2\n" + START + text.rstrip("\n") + "\n")
    chunk = read(path)
    assert_same(by_column(chunk), by_python_can(path))
    assert [(bad.line, bad.reason) for bad in chunk.bad] == [
        (1, "version 1.2 of the format is not known, and is read as 1.0")
    ]


def blf_object(rng: random.Random, kind: int, body: bytes, most: int) -> bytes:
    version, flags = rng.choice([1, 2]), rng.choice([1, 2])
    stamp = rng.randrange(most // (10_000 if flags == 1 else 1))
    head = struct.pack("<LHHQ", flags, 0, 0, stamp) if version == 1 else b""
    head = head or struct.pack("<LBxHQ8x", flags, 0, 0, stamp)
    size = 16 + len(head) + len(body)
    base = struct.pack("<4sHHLL", b"LOBJ", 16 + len(head), version, size, kind)
    return base + head + body + bytes(len(body) % 4)


def blf_body(rng: random.Random, kind: int, version_2: bytes = b"") -> bytes:
    identifier = rng.choice([rng.randrange(1 << 11), 1 << 31 | rng.randrange(1 << 29)])
    channel, way, remote = rng.choice([1, 2, 300]), rng.randrange(2), rng.random() < 0.2
    if kind in {1, 86}:
        flags = way | remote << 7
        return struct.pack("<HBBL8s", channel, flags, rng.randrange(9), identifier, rng.randbytes(8))
    if kind == 73:
        code, told = rng.randrange(9), rng.randbytes(8)
        return struct.pack("<HHLBBBxLLH2x8s", channel, 0, 0, 0, 0, code, 0, rng.randrange(1 << 9), 0, told)
    code = rng.randrange(16)
    length = FD_LENGTHS[code]
    rate, passive = rng.randrange(2), rng.randrange(2)
    data = rng.randbytes(length)
    if kind == 100:
        return struct.pack(
            "<HBBLLBBB5x64s", channel, way, code, identifier, 0, 0, 1 | rate << 1 | passive << 2, length, data
        )
    flags = 0x1000 | rate << 13 | passive << 14
    head = (channel % 256, code, length, 0, identifier, 0, flags, 0, 0, 0, 0, 0, way, 0, 0)
    return struct.pack("<BBBBLLLLLLLHBBL", *head) + data


def blf_container(rng: random.Random, content: bytes) -> bytes:
    packed = rng.random() < 0.7
    data = zlib.compress(content) if packed else content
    size = 32 + len(data)
    head = struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + struct.pack("<H6xL4x", 2 * packed, len(content))
    return head + data + bytes(size % 4)


@pytest.mark.parametrize("seed", SEEDS)
def test_blf(tmp_path: Path, seed: int) -> None:
    """All kinds of objects in both versions of the header, cut into containers anywhere."""
    rng = random.Random(seed)
    kinds = [rng.choice([1, 73, 86, 100, 101, 2, 104, 96]) for _ in range(2 * LINES)]
    known = {1, 73, 86, 100, 101}
    objects = [
        blf_object(rng, kind, blf_body(rng, kind) if kind in known else rng.randbytes(40), 10**12)
        for kind in kinds
    ]
    content = b"".join(objects)
    cuts = sorted(rng.randrange(len(content)) for _ in range(5))
    parts = [content[a:b] for a, b in zip([0, *cuts], [*cuts, len(content)], strict=True)]
    body = b"".join(
        blf_object(rng, 115, bytes(8), 10**9) + blf_container(rng, part) for part in parts
    )  # the objects outside of containers are passed over
    time = (2021, 1, 5, 29, 15, 6, 13, 191)
    count = len(objects) + len(parts)
    head = (b"LOGG", 144, 5, 0, 0, 0, 2, 6, 8, 1, 144 + len(body), 0, count, 0, *time, *time)
    path = tmp_path / "drive.blf"
    path.write_bytes(struct.pack("<4sL8BQQLL8H8H", *head).ljust(144, b"\0") + body)
    assert_read_alike(path, sum(kind in known for kind in kinds))


@pytest.mark.parametrize("ending", [".csv", ".db"])
@pytest.mark.parametrize("seed", SEEDS)
def test_as_python_can_writes_it(tmp_path: Path, ending: str, seed: int) -> None:
    rng = random.Random(seed)
    path = tmp_path / f"drive{ending}"
    with can.Logger(str(path)) as writer:
        for number in range(LINES):
            kind, extended = rng.choice(["data"] * 5 + ["remote", "error"]), rng.random() < 0.3
            data = rng.randbytes(rng.randrange(9) if kind != "data" else rng.choice(FD_LENGTHS))
            writer(can.Message(
                timestamp=rng.choice([1.7e9, 0.5]) + number * 0.011,
                arbitration_id=rng.randrange(1 << 29 if extended else 1 << 11),
                is_extended_id=extended, is_fd=len(data) > 8, is_remote_frame=kind == "remote",
                is_error_frame=kind == "error", dlc=len(data), data=b"" if kind == "remote" else data,
            ))  # fmt: skip
    chunk = read(path)
    assert chunk.bad == ()
    # Neither format tells what is FD; here it is what is longer than 8 bytes.
    assert_same([one._replace(flags=one.flags & ~1) for one in by_column(chunk)], by_python_can(path))
