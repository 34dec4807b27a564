"""Captures under 1 MiB that unpack to as much as is allowed, or more: read soon and with little memory."""

from __future__ import annotations

import gzip
import lzma
import sqlite3
import struct
import zlib
from contextlib import closing
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.frames.chunks import empty_chunk
from tests.captures import read
from tests.hostile import MIB, blf, container
from tests.mdffiles import Layout
from tests.property.test_reader_damage import measured

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path


def blf_object(kind: int, body: bytes = b"", *, claimed: int | None = None) -> bytes:
    return struct.pack("<4sHHLL", b"LOBJ", 16, 1, claimed or 16 + len(body), kind) + body


def blf_frame(length: int = 8, stamp: int = 5) -> bytes:
    head = struct.pack("<LHHQ", 2, 0, 0, stamp)
    return blf_object(1, head + struct.pack("<HBBL", 1, 0, length, 0x123) + bytes(8))


def few_of(names: Iterable[str], *every_time: str) -> list[object]:
    """Take some each time, and the others, which are of the same kind, in a deep run."""
    return [name if name in every_time else pytest.param(name, marks=pytest.mark.deep) for name in names]


SIZE = 15 * MIB
BLF_CONTENTS = {
    "zeros": bytes(SIZE),
    "signatures": b"LOBJ" * (SIZE // 4),
    "letters": b"L" * SIZE,
    "least objects": blf_object(7) * (SIZE // 16),
    "short objects": blf_object(1) * (SIZE // 16),
    "objects and garbage": (blf_object(7) + bytes(9)) * (SIZE // 25),
    "objects full of signatures": blf_object(7, b"LOBJ" * 4) * (SIZE // 32),
    "one such object": blf_object(7, b"LOBJ" * (SIZE // 4)),
    "an object that does not end": blf_object(7, claimed=16 * MIB) + b"x" * SIZE,
    "frames": blf_frame() * (SIZE // 48),
    "impossible frames": blf_frame(255) * (SIZE // 48),
    "late frames": blf_frame(8, 2**63) * (SIZE // 48),
}


@pytest.mark.parametrize("name", few_of(BLF_CONTENTS, "objects full of signatures", "late frames"))
def test_containers_that_unpack_to_much(tmp_path: Path, name: str) -> None:
    one = container(BLF_CONTENTS[name])
    path = tmp_path / "a.blf"
    path.write_bytes(blf(*[one] * min(20, (MIB - 200) // len(one))))
    assert measured(path)[1] >= 1
    # The limits of the container and of the file around it do not multiply.
    path = tmp_path / "a.blf.gz"
    path.write_bytes(gzip.compress(blf(*[one] * 300)))
    assert measured(path)[1] >= 1


UNPACKED = 72 * MIB  # which is just allowed of just under 1 MiB


def barely_allowed(content: bytes) -> bytes:
    """Return the content, UNPACKED bytes, as .gz of just under 1 MiB; fields that nobody reads fill it up."""
    members = []
    for at in range(0, len(content), MIB):
        piece = content[at : at + MIB]
        deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
        packed = deflate.compress(piece) + deflate.flush()
        extra = max(MIB * (MIB - 100) // UNPACKED - len(packed) - 20, 0)
        head = b"\x1f\x8b\x08\x04" + bytes(6) + struct.pack("<H", extra) + bytes(extra)  # RFC 1952
        members.append(head + packed + struct.pack("<LL", zlib.crc32(piece), len(piece)))
    return b"".join(members)


def repeated(start: bytes, unit: bytes) -> bytes:
    return (start + unit * (UNPACKED // len(unit)))[:UNPACKED]


def record(body: bytes) -> bytes:
    return struct.pack("<4I", 1, 2, len(body), len(body)) + body


def block(kind: int, body: bytes) -> bytes:
    return struct.pack("<2I", kind, 12 + len(body)) + body + struct.pack("<I", 12 + len(body))


PACKET = struct.pack(">IBxxx", 0x123, 8) + bytes(8)
PCAP = struct.pack("<I2HiI2I", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 227)
SECTION = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
INTERFACE = block(1, struct.pack("<HHI", 227, 0, 0))
IN_BLOCK = struct.pack("<5I", 0, 0, 5, len(PACKET), len(PACKET)) + PACKET
OPTIONS = struct.pack("<2H", 1, 0) * 40
BLF_START = blf()
PACKED_BOMBS = {
    "frames.blf": (BLF_START, blf_frame()),
    "least objects.blf": (BLF_START, blf_object(7)),
    "empty containers.blf": (BLF_START, blf_object(10)),
    "containers of one frame.blf": (BLF_START, container(blf_frame())),
    "damaged containers.blf": (BLF_START, blf_object(10, bytes([9] * 16))),
    "zeros.pcap": (PCAP, bytes(1024)),
    "packets.pcap": (PCAP, record(PACKET)),
    "odd packets.pcap": (PCAP, record(PACKET[:11])),
    "packets.pcapng": (SECTION + INTERFACE, block(6, IN_BLOCK)),
    "packets with options.pcapng": (SECTION + INTERFACE, block(6, IN_BLOCK + OPTIONS)),
    "least blocks.pcapng": (SECTION + INTERFACE, block(5, b"")),
    "short packets.pcapng": (SECTION + INTERFACE, block(6, b"")),
    "sections.pcapng": (b"", SECTION),
    "interfaces.pcapng": (SECTION, INTERFACE),
    "interfaces with options.pcapng": (SECTION, block(1, struct.pack("<HHI", 227, 0, 0) + OPTIONS)),
    "interfaces and packets.pcapng": (SECTION, INTERFACE + block(6, IN_BLOCK)),
    "records of a byte.mf4": (Layout(closed=False).least(), b"\x10"),
    "records of a byte and their ids.mf4": (Layout(shared=1, closed=False).least(), b"\x00\x10"),
    "records of no group.mf4": (Layout(shared=1, closed=False).least(), b"\x01\x10"),
}


BOMBS_OF_EACH_FORMAT = (
    "containers of one frame.blf",
    "odd packets.pcap",
    "sections.pcapng",
    "records of no group.mf4",
)


@pytest.mark.parametrize("name", few_of(PACKED_BOMBS, *BOMBS_OF_EACH_FORMAT))
def test_binary_captures_that_unpack_to_much(tmp_path: Path, name: str) -> None:
    path = tmp_path / f"{name}.gz"
    path.write_bytes(barely_allowed(repeated(*PACKED_BOMBS[name])))
    assert path.stat().st_size > 0.9 * MIB
    measured(path)


def database(path: Path, rows: Iterable[tuple[object, ...]]) -> None:
    with closing(sqlite3.connect(path)) as written:
        names = "ts, arbitration_id, extended, remote, error, dlc, data"
        written.execute(f"CREATE TABLE messages ({names})")
        written.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        written.commit()


@pytest.mark.parametrize("every", [1, pytest.param(64, marks=pytest.mark.deep), 8192])
def test_rows_that_unpack_to_much(tmp_path: Path, every: int) -> None:
    """Rows of next to nothing; one out of so many is bad."""
    count = 400_000
    good, wrong = (1.0, 1, 0, 0, 0, 0, None), (None,) * 7
    database(tmp_path / "a.db", (good if i % every else wrong for i in range(count)))
    path = tmp_path / "a.db.xz"
    path.write_bytes(lzma.compress((tmp_path / "a.db").read_bytes(), preset=0))
    frames, bad = measured(path)
    if every == 8192:
        assert (frames, bad) == (count - 49, 49)  # 1 + 399,999 // 8192
    else:
        assert frames + bad < count


def test_rows_around_a_bad_one(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    wrong = {5: "x", 700: None, 701: -1, 9000: "y"}
    database(path, ((float(i), wrong.get(i, 1), 0, 0, 0, 1, bytes([i % 256])) for i in range(10_000)))
    chunk = read(path)
    left = np.array([i for i in range(10_000) if i not in wrong])
    assert [bad.line - 1 for bad in chunk.bad] == sorted(wrong)
    assert [bad.position for bad in chunk.bad] == [5, 699, 699, 8997]
    assert (chunk.line - 1 == left).all()
    assert (chunk.payload[:, 0] == left % 256).all()


def test_the_growth_of_a_regular_capture_is_allowed(tmp_path: Path) -> None:
    """One frame again and again, of which only the stamp differs."""
    content = "".join(f"({i}.{i * 7919 % 10**6:06d}) can0 123#{'11' * 8}\n" for i in range(800_000)).encode()
    path = tmp_path / "a.log.gz"
    path.write_bytes(gzip.compress(content))
    assert len(content) > max(5 * path.stat().st_size, 16 * MIB)
    assert len(read(path)) == 800_000


@pytest.mark.parametrize(
    "layout", [Layout(packed=0, listed=True), Layout(packed=1), Layout(shared=1, packed=0)]
)
def test_blocks_that_unpack_to_much(tmp_path: Path, layout: Layout) -> None:
    """Packed data in a packed file: their limits do not multiply."""
    frames = empty_chunk(("1",), 150_000, 64)
    path = tmp_path / "a.mf4.xz"
    path.write_bytes(lzma.compress(layout.file(frames), preset=0))
    read_frames, bad = measured(path)
    assert read_frames < len(frames) or not bad


# One line again and again, of a form that is read by column, or of one that is read alone.
TEXT_BOMBS = {
    "remote.log": ("", "(1.000005) can0 123#R8"),
    "error.log": ("", "(1.000005) can0 20000004#0000000000000000"),
    "with dots.log": ("", "(1.000005) can0 123#11.22.33"),
    "remote.asc": (
        "date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute",
        " 1.5 1  123  Rx   r 8",
    ),
    "error.asc": ("base hex  timestamps absolute", " 1.5 1  ErrorFrame"),
    "decimal.asc": ("base dec  timestamps absolute", " 1.5 1  291  Rx   d 1 9"),
    "remote.csv": ("timestamp,arbitration_id,extended,remote,error,dlc,data", "1.5,0x123,0,1,0,8,"),
    "with exponents.csv": ("timestamp,arbitration_id,extended,remote,error,dlc,data", "1e3,0x1,0,0,0,0,"),
    "remote.trc": (";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,I,d,l,D", "1 1.5 RR 0123 Rx 8"),
    "wrong.trc": (";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,I,d,l,D", "1 1.5 DT 0123 Rx 1 012"),
}


@pytest.mark.parametrize("name", few_of(TEXT_BOMBS, "with dots.log", "remote.asc", "remote.csv", "wrong.trc"))
def test_texts_that_unpack_to_much(tmp_path: Path, name: str) -> None:
    head, line = TEXT_BOMBS[name]
    path = tmp_path / f"{name}.gz"
    path.write_bytes(barely_allowed(repeated(head.encode() + b"\n", line.encode() + b"\n")))
    frames, bad = measured(path)
    by_column = name.startswith(("remote", "error"))
    assert frames > 1_000_000 if by_column else bad > 100_000


def test_rare_lines_of_a_packed_file(tmp_path: Path) -> None:
    """So many that reading one by one would take too long for so small a file; unpacked, all are read."""
    count = 200_000
    text = b"(1.000005) can0 123#11.22.33\n" * count
    (tmp_path / "a.log").write_bytes(text)
    assert len(read(tmp_path / "a.log")) == count
    (tmp_path / "a.log.gz").write_bytes(gzip.compress(text))
    chunk = read(tmp_path / "a.log.gz")
    assert len(chunk) + chunk.bad_count == count
    assert 80_000 < len(chunk) < count
    assert chunk.bad[0].reason == "the compressed file has too many lines of unusual form; unpack it first"
