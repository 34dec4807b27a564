"""Frames, BLF: the objects of a buffer that are frames, to columns.

In: a buffer and the objects in it. Out: one chunk in the order of the objects. The kinds of objects and their
fields are those of python-can's `can/io/blf.py`; objects of other kinds are passed over, as there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.frames.batches import LATEST_NS
from canmap.frames.binary.gather import LENGTH_OF_CODE, BadObjects, payload_within, records_at, sifted
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    join,
)
from canmap.frames.row import EXTENDED_LIMIT

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

_EXTENDED = 0x80000000
_MOST_CHANNELS = 256
_TEN_MICROSECONDS = 1  # value of the header's flags; else stamps are in ns
# Flags and stamp stand at the same places in both versions of the object header; then comes the body.
_HEAD = np.dtype(
    {"names": ["flags", "stamp"], "formats": ["<u4", "<u8"], "offsets": [16, 24], "itemsize": 32}
)
_BODY_AT = {1: 32, 2: 40}

_MESSAGE = np.dtype([("channel", "<u2"), ("flags", "u1"), ("code", "u1"), ("id", "<u4"), ("data", "u1", 8)])
_ERROR_EXT = np.dtype(
    [
        ("channel", "<u2"), ("length", "<u2"), ("flags", "<u4"), ("code_seen", "u1"), ("position", "u1"),
        ("code", "u1"), ("pad", "u1"), ("frame_length", "<u4"), ("id", "<u4"),
        ("more", "<u4"), ("data", "u1", 8),
    ]
)  # fmt: skip
_FD = np.dtype(
    [
        ("channel", "<u2"), ("flags", "u1"), ("code", "u1"), ("id", "<u4"), ("frame_length", "<u4"),
        ("bits", "u1"), ("fd", "u1"), ("valid", "u1"), ("pad", "u1", 5), ("data", "u1", 64),
    ]
)  # fmt: skip
_FD_64 = np.dtype(
    [
        ("channel", "u1"), ("code", "u1"), ("valid", "u1"), ("sent", "u1"), ("id", "<u4"),
        ("frame_length", "<u4"),
        ("flags", "<u4"), ("rates", "<u4", 2), ("offsets", "<u4", 2), ("bits", "<u2"), ("direction", "u1"),
        ("more_at", "u1"), ("crc", "<u4"), ("data", "u1", 64),
    ]
)  # fmt: skip
_FD_64_DATA_AT = 40


class Objects(NamedTuple):
    """Objects of a buffer, int64[n] each."""

    place: NDArray[np.int64]  # of the first byte
    version: NDArray[np.int64]  # of its header
    size: NDArray[np.int64]  # bytes
    kind: NDArray[np.int64]
    number: NDArray[np.int64]  # in the capture, from 1

    def where(self, chosen: NDArray[np.bool_]) -> Objects:
        """Return some of the objects."""
        return Objects(*(column[chosen] for column in self))


class _Extent(NamedTuple):
    """Where in their objects bodies begin and end, in bytes, int64[n] each."""

    body: NDArray[np.int64]
    size: NDArray[np.int64]


class _Columns(NamedTuple):
    """What the body of one kind of object tells; as the columns of `FrameChunk`."""

    channel: NDArray[Any]
    can_id: NDArray[Any]
    extended: NDArray[Any]
    kind: NDArray[Any]
    flags: NDArray[Any]
    length: NDArray[Any]
    payload: NDArray[Any]


def chunk_of(capture: str, data: bytes, objects: Objects, start_ns: int, bad: BadObjects) -> FrameChunk:
    """Return the frames of a buffer in the order of their objects, and its bad objects."""
    parts = [
        _part(data, kind, objects.where(objects.kind == kind), start_ns, bad)
        for kind in KINDS
        if (objects.kind == kind).any()
    ]
    chunk = join(part for part in parts if len(part))
    if len(parts) > 1:
        chunk = chunk.take(np.argsort(chunk.line, kind="stable"))
    return sifted(chunk, capture, bad)


def _part(data: bytes, kind: int, objects: Objects, start_ns: int, bad: BadObjects) -> FrameChunk:
    layout, columns_of, least = KINDS[kind]
    body = np.where(objects.version == 1, _BODY_AT[1], _BODY_AT[2])
    fits = (objects.size >= body + least) & (objects.version >= 1) & (objects.version <= 2)
    if not fits.all():
        bad.add_all(objects.number[~fits], "the object is too short for its kind")
        objects, body = objects.where(fits), body[fits]
    head = records_at(data, objects.place, _HEAD)
    scale = np.where(head["flags"] == _TEN_MICROSECONDS, np.uint64(10_000), np.uint64(1))
    late = head["stamp"] > np.uint64(min(LATEST_NS, LATEST_NS - start_ns)) // scale
    if late.any():
        bad.add_all(objects.number[late], "the stamp is too late for nanoseconds in 64 bits")
        objects, body, head, scale = objects.where(~late), body[~late], head[~late], scale[~late]
    stated = columns_of(records_at(data, objects.place + body, layout), _Extent(body, objects.size))
    names, numbers = np.unique(stated.channel, return_inverse=True)
    few = numbers < _MOST_CHANNELS
    bad.add_all(objects.number[~few], f"there are more than {_MOST_CHANNELS} channels before it")
    chunk = FrameChunk(
        channels=tuple(str(name) for name in names[:_MOST_CHANNELS].tolist()),
        t_ns=(head["stamp"] * scale).astype(np.int64) + start_ns,
        channel=numbers.astype(np.uint8),
        can_id=stated.can_id.astype(np.uint32),
        extended=stated.extended.astype(np.bool_),
        kind=stated.kind.astype(np.uint8),
        flags=stated.flags.astype(np.uint8),
        length=stated.length.astype(np.uint8),
        payload=stated.payload,
        line=objects.number,
    )
    return chunk if few.all() else chunk.take(few)


def _classic_length(code: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the bytes that a length code stands for: 9 to 15 for 8; more is left to be found wrong."""
    return np.where(code <= 15, np.minimum(code, CLASSIC_WIDTH), code).astype(np.uint8)


def _direction(sent: NDArray[np.bool_]) -> NDArray[np.uint8]:
    return np.where(sent, FLAG_SENT, FLAG_RECEIVED).astype(np.uint8)


def _message(records: NDArray[Any], _extent: _Extent) -> _Columns:
    length = _classic_length(records["code"])
    remote = (records["flags"] & 0x80) != 0
    return _Columns(
        records["channel"],
        records["id"] & EXTENDED_LIMIT,
        (records["id"] & _EXTENDED) != 0,
        np.where(remote, FrameKind.REMOTE, FrameKind.DATA),
        _direction((records["flags"] & 1) != 0),
        length,
        payload_within(records["data"], np.where(remote, 0, length)),
    )


def _error_ext(records: NDArray[Any], _extent: _Extent) -> _Columns:
    """An error frame.

    python-can writes one of SocketCAN with its class and none of the fields of a controller. Where those say
    something, the identifier is that of the disturbed frame, and the class is not stated.
    """
    has_class = np.ones(len(records), np.bool_)
    for name in ("length", "flags", "code_seen", "position", "frame_length", "more"):
        has_class &= records[name] == 0
    none = np.zeros(len(records), np.uint8)
    length = np.where(has_class, _classic_length(records["code"]), 0).astype(np.uint8)
    return _Columns(
        records["channel"],
        can_id=np.where(has_class, records["id"] & EXTENDED_LIMIT, 0),
        extended=none,
        kind=none + FrameKind.ERROR,
        flags=none,
        length=length,
        payload=payload_within(records["data"], length),
    )


def _fd_columns(
    records: NDArray[Any], is_fd: NDArray[Any], remote: NDArray[Any], valid: NDArray[Any]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return the length and the payload of frames that may be FD."""
    code = records["code"]
    length = np.where(is_fd & (code <= 15), LENGTH_OF_CODE[code & 15], _classic_length(code)).astype(np.uint8)
    kept = np.where(remote, 0, np.minimum(length, np.clip(valid, 0, FD_WIDTH)))
    payload = payload_within(records["data"], kept.astype(np.uint8))
    return length, payload


def _fd_flags(bits: NDArray[Any], is_fd: NDArray[Any], switch: int, passive: int) -> NDArray[np.uint8]:
    flags = np.where((bits & switch) != 0, FLAG_BIT_RATE_SWITCH, 0) | np.where(
        (bits & passive) != 0, FLAG_ERROR_PASSIVE, 0
    )
    return np.where(is_fd, flags | FLAG_FD, 0).astype(np.uint8)


def _fd(records: NDArray[Any], _extent: _Extent) -> _Columns:
    is_fd, remote = (records["fd"] & 1) != 0, (records["flags"] & 0x80) != 0
    length, payload = _fd_columns(records, is_fd, remote, records["valid"])
    return _Columns(
        records["channel"],
        records["id"] & EXTENDED_LIMIT,
        (records["id"] & _EXTENDED) != 0,
        np.where(remote, FrameKind.REMOTE, FrameKind.DATA),
        _fd_flags(records["fd"], is_fd, 2, 4) | _direction((records["flags"] & 1) != 0),
        length,
        payload,
    )


def _fd_64(records: NDArray[Any], extent: _Extent) -> _Columns:
    """An object as long as its payload; more data may follow, at a place that it tells."""
    is_fd, remote = (records["flags"] & 0x1000) != 0, (records["flags"] & 0x10) != 0
    end = np.where(records["more_at"] > 0, np.minimum(records["more_at"], extent.size), extent.size)
    valid = np.minimum(records["valid"], end - extent.body - _FD_64_DATA_AT)
    length, payload = _fd_columns(records, is_fd, remote, valid)
    return _Columns(
        records["channel"],
        records["id"] & EXTENDED_LIMIT,
        (records["id"] & _EXTENDED) != 0,
        np.where(remote, FrameKind.REMOTE, FrameKind.DATA),
        _fd_flags(records["flags"], is_fd, 0x2000, 0x4000) | _direction(records["direction"] != 0),
        length,
        payload,
    )


class _Kind(NamedTuple):
    """A kind of object that is a frame: its body, what reads it, and the bytes that the body must have."""

    layout: np.dtype[Any]
    columns: Callable[[NDArray[Any], _Extent], _Columns]
    least: int


KINDS = {
    1: _Kind(_MESSAGE, _message, 16),
    73: _Kind(_ERROR_EXT, _error_ext, 32),
    86: _Kind(_MESSAGE, _message, 16),
    100: _Kind(_FD, _fd, 84),
    101: _Kind(_FD_64, _fd_64, _FD_64_DATA_AT),
}
