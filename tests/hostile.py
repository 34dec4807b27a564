"""Captures that are made to exhaust a reader: small ones that unpack to much, and lengths claimed."""

from __future__ import annotations

import struct
import tempfile
import zlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from tests.captures import seeds

if TYPE_CHECKING:
    from collections.abc import Callable

MIB = 1 << 20
MANY = 10 << 30  # 10 GB, where a field holds so much
CLAIMS = (0xFFFFFFFF, 0x7FFFFFFF)  # the largest that fit in 32 bits


def container(content: bytes, *, claimed: int | None = None) -> bytes:
    """Return a packed container of a BLF; `claimed` is the length that it tells."""
    packed = zlib.compress(content, 9)
    size = 32 + len(packed)
    return (
        struct.pack("<4sHHLL", b"LOBJ", 16, 1, claimed or size, 10)
        + struct.pack("<H6xL4x", 2, len(content))
        + packed
        + bytes(size % 4)
    )


def blf(*containers: bytes, objects: int = 0) -> bytes:
    """Return a BLF of containers."""
    body = b"".join(containers)
    head = struct.pack("<4sL8BQQLL16H", b"LOGG", 144, *(0,) * 8, 144 + len(body), 0, objects, 0, *(0,) * 16)
    return head.ljust(144, b"\0") + body


def blf_claim(claim: int) -> bytes:
    """Return a BLF with an object that claims to be long."""
    return blf(container(b"LOBJ" + struct.pack("<HHLL", 16, 1, claim, 1) + bytes(100)))


def pcap_claim(claim: int) -> bytes:
    """Return a packet capture with a packet that claims to be long."""
    head = struct.pack("<I2HiI2I", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 227)
    return head + struct.pack("<4I", 1, 2, claim, claim) + bytes(100)


def _blf() -> list[bytes]:
    contents = (bytes(15 * MIB), b"LOBJ" * (4 * MIB - 1), struct.pack("<4sHHLL", b"LOBJ", 16, 1, 16, 7) * MIB)
    bombs = [blf(*[container(content)] * 3) for content in contents]
    return [*bombs, *map(blf_claim, CLAIMS), *(blf(container(b"", claimed=claim)) for claim in CLAIMS)]


def _pcapng() -> list[bytes]:
    """A block, a packet and an option that claim to be long."""
    data = _seed(".pcapng")
    packet = data.index(struct.pack("<I", 6), 28)
    return [
        data[: place + 4] + struct.pack("<I", claim & ~3) + data[place + 8 :]
        for claim in CLAIMS
        for place in (0, packet, packet + 16, packet + 20)
    ]


def _db() -> list[bytes]:
    """Pages that the file does not have, and a row of 10 GB (SQLite file format: header, varints)."""
    data = _seed(".db")
    pages = data[:28] + struct.pack(">I", CLAIMS[0]) + data[32:]
    varint = bytes(128 | MANY >> shift & 127 for shift in (35, 28, 21, 14, 7)) + bytes([MANY & 127])
    size = struct.unpack(">H", data[16:18])[0]
    rows = []
    for page in range(size, len(data), size):
        if data[page] == 13:  # a leaf of a table
            cell = page + struct.unpack(">H", data[page + 8 : page + 10])[0]
            rows.append(data[:cell] + varint + data[cell + len(varint) :])
    return [pages, *rows]


def _mf4() -> list[bytes]:
    """Blocks and counts of records that claim to be long (ASAM MDF 4: ids, then the length as uint64)."""
    data = _seed(".mf4")
    found = []
    for name in (b"##DT", b"##DZ", b"##CG", b"##DG", b"##HD", b"##SD", b"##TX", b"##CN"):
        place = data.find(name)
        if place < 0:
            continue
        found += [
            data[: place + step] + struct.pack("<Q", MANY) + data[place + step + 8 :]
            for step in (8, 24, 32, 40, 72, 80)
        ]
    return found


def _seed(ending: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        return seeds(Path(folder), ending)[1]


# All lengths in a Parquet file of frames but that of its footer are under its seal.
HOSTILE: dict[str, Callable[[], list[bytes]]] = {
    ".blf": cache(_blf),
    ".db": cache(_db),
    ".mf4": cache(_mf4),
    ".pcap": cache(lambda: [pcap_claim(claim) for claim in CLAIMS]),
    ".pcapng": cache(_pcapng),
    ".parquet": cache(
        lambda: [b"PAR1" + bytes(1000) + struct.pack("<I", claim) + b"PAR1" for claim in CLAIMS]
    ),
}
