"""Packet captures of SocketCAN against the page of LINKTYPE_CAN_SOCKETCAN, row by row, and the two drafts.

`socketcan_packets` in tests/data/published holds six packets laid out after that page. What
draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng say of byte orders, resolutions, interfaces and
options is written out here.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import CaptureError
from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_FD, FLAG_RECEIVED, FLAG_SENT, FrameKind
from tests.captures import read
from tests.published import table

if TYPE_CHECKING:
    from pathlib import Path

# 0x123, 2 bytes AB CD, padded to 16 bytes, as the page lays it out.
CLASSIC = bytes.fromhex("00000123 02 00 0000 ABCD000000000000")


def test_examples_row_by_row(tmp_path: Path) -> None:
    rows = table("socketcan_packets")
    packets = [
        (int(row["sec"]), int(row["usec"]), bytes.fromhex(row["packet_hex"])[: int(row["captured_bytes"])])
        for row in rows
    ]
    path = tmp_path / "examples.pcap"
    path.write_bytes(pcap("<", 0xA1B2C3D4, packets))
    chunk = read(path)
    assert (len(rows), len(chunk), chunk.bad_count) == (6, 6, 0)
    for i, (second, micros, packet) in enumerate(packets):
        word = int.from_bytes(packet[:4], "big")
        remote, error = bool(word & 0x40000000), bool(word & 0x20000000)
        assert chunk.t_ns[i] == second * 10**9 + micros * 1000
        assert chunk.can_id[i] == word & 0x1FFFFFFF
        assert chunk.extended[i] == bool(word & 0x80000000)
        assert chunk.kind[i] == (FrameKind.ERROR if error else FrameKind.REMOTE if remote else FrameKind.DATA)
        assert chunk.length[i] == packet[4]
        assert chunk.payload[i, : packet[4]].tobytes() == packet[8 : 8 + packet[4]]
        assert not chunk.payload[i, packet[4] :].any()
        assert chunk.line[i] == i + 1
    names = [row["name"] for row in rows]
    flags = dict(zip(names, chunk.flags.tolist(), strict=True))
    assert flags["fd_brs"] == FLAG_FD | FLAG_BIT_RATE_SWITCH
    assert not any(flags[name] for name in names if name != "fd_brs")


def pcap(order: str, magic: int, packets: list[tuple[int, int, bytes]], link: int = 227) -> bytes:
    head = struct.pack(order + "I2HiI2I", magic, 2, 4, 0, 0, 65535, link)
    return head + b"".join(
        struct.pack(order + "4I", second, fraction, len(data), len(data)) + data
        for second, fraction, data in packets
    )


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize(("magic", "step_ns"), [(0xA1B2C3D4, 1000), (0xA1B23C4D, 1)])
def test_byte_orders_and_resolutions(tmp_path: Path, order: str, magic: int, step_ns: int) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap(order, magic, [(1_700_000_000, 123_456, CLASSIC)]))
    chunk = read(path)
    assert chunk.t_ns.tolist() == [1_700_000_000 * 10**9 + 123_456 * step_ns]
    assert (chunk.can_id.tolist(), chunk.length.tolist()) == ([0x123], [2])
    assert chunk.payload[0, :2].tobytes() == b"\xab\xcd"


def test_other_link_type(tmp_path: Path) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap("<", 0xA1B2C3D4, [(1, 0, CLASSIC)], link=1))
    with pytest.raises(CaptureError, match="link type 1, not 227"):
        read(path)


@pytest.mark.parametrize(
    ("packet", "reason"),
    [
        (CLASSIC[:9], "the recorder kept only the beginning of the packet"),
        (CLASSIC[:7], "the packet is shorter than the header of a frame"),
        (
            bytes.fromhex("00000923 02 00 0000 ABCD"),
            "the identifier 923 has more bits than its kind of frame",
        ),
        (bytes.fromhex("00000123 0A 00 0000") + bytes(10), "a classic frame carries up to 8 bytes, not 10"),
        (bytes.fromhex("00000123 09 04 0000") + bytes(64), "an FD frame cannot carry 9 bytes"),
        (bytes.fromhex("00000123 80 00 0000") + bytes(64), "the frame is CAN XL, which is not read"),
    ],
)
def test_packets_that_are_no_frames(tmp_path: Path, packet: bytes, reason: str) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap("<", 0xA1B2C3D4, [(1, 0, CLASSIC), (2, 0, packet), (3, 0, CLASSIC)]))
    chunk = read(path)
    assert chunk.line.tolist() == [1, 3]
    assert [(bad.position, bad.line, bad.reason) for bad in chunk.bad] == [(1, 2, reason)]


def test_fd_of_old_writers_is_told_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap("<", 0xA1B2C3D4, [(1, 0, bytes.fromhex("00000123 03 00 0000 010203") + bytes(61))]))
    assert read(path).flags.tolist() == [FLAG_FD]


def block(order: str, kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    size = len(body) + 12
    return struct.pack(order + "2I", kind, size) + body + struct.pack(order + "I", size)


def option(order: str, code: int, value: bytes) -> bytes:
    return struct.pack(order + "2H", code, len(value)) + value + bytes(-len(value) % 4)


def section(order: str) -> bytes:
    return block(order, 0x0A0D0D0A, struct.pack(order + "I2Hq", 0x1A2B3C4D, 1, 0, -1))


def interface(order: str, options: bytes = b"", link: int = 227) -> bytes:
    return block(order, 1, struct.pack(order + "2HI", link, 0, 0) + options)


def packet(order: str, number: int, stamp: int, data: bytes = CLASSIC, options: bytes = b"") -> bytes:
    head = struct.pack(order + "5I", number, stamp >> 32, stamp & 0xFFFFFFFF, len(data), len(data))
    return block(order, 6, head + data + bytes(-len(data) % 4) + options)


@pytest.mark.parametrize("order", "<>")
def test_interfaces_of_the_next_generation(tmp_path: Path, order: str) -> None:
    """Names, resolutions (10^-6 untold, 10^-9, 2^-10), an offset in s, directions, other links left out."""
    path = tmp_path / "a.pcapng"
    path.write_bytes(
        section(order)
        + interface(order, option(order, 2, b"can0") + option(order, 9, b"\x09") + option(order, 0, b""))
        + interface(order, link=1)
        + interface(order, option(order, 9, b"\x8a") + option(order, 14, struct.pack(order + "q", 100)))
        + interface(order, option(order, 2, b"vcan1"))
        + packet(order, 0, 1_700_000_000_123_456_789, options=option(order, 2, struct.pack(order + "I", 1)))
        + packet(order, 1, 5, b"not a frame")
        + packet(order, 2, 3 * 1024 + 512)
        + packet(order, 3, 7_000_001, CLASSIC[:10], option(order, 2, struct.pack(order + "I", 2)))
        + block(order, 3, struct.pack(order + "I", 16) + CLASSIC)
        + packet(order, 9, 1)
    )
    chunk = read(path)
    assert [chunk.channels[n] for n in chunk.channel] == ["can0", "3", "vcan1"]
    assert chunk.t_ns.tolist() == [1_700_000_000_123_456_789, 103_500_000_000, 7_000_001_000]
    assert chunk.flags.tolist() == [FLAG_RECEIVED, 0, FLAG_SENT]
    assert chunk.line.tolist() == [1, 3, 4]
    assert [(bad.line, bad.reason) for bad in chunk.bad] == [
        (5, "the packet has no stamp"),
        (6, "the packet names an interface that was not described"),
    ]


def test_sections_of_both_byte_orders_in_one_file(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(
        b"".join(section(order) + interface(order) + packet(order, 0, 5_000_000) for order in "<><")
    )
    chunk = read(path)
    assert chunk.t_ns.tolist() == [5 * 10**9] * 3
    assert np.unique(chunk.channel).tolist() == [0]


def test_no_can_interface(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(section("<") + interface("<", link=1) + packet("<", 0, 1))
    with pytest.raises(CaptureError, match="no interface of link type 227"):
        read(path)


@pytest.mark.parametrize(
    "data", [pcap("<", 0xA1B2C3D4, [(1, 0, CLASSIC)] * 2), section("<") + interface("<")]
)
def test_a_length_that_is_declared_to_be_huge(tmp_path: Path, data: bytes) -> None:
    """10 GB fit in no field of these formats; the largest that does, 4 GB, is not believed."""
    path = tmp_path / "a.pcapng"
    claim = b"\xf0\xff\xff\xff"
    path.write_bytes(
        data + (struct.pack("<2I", 2, 0) + claim * 2 if data[0] == 0xD4 else b"\6\0\0\0" + claim) + bytes(99)
    )
    chunk = read(path)
    assert "so nothing can be read from here on" in chunk.bad[-1].reason
