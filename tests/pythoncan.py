"""What python-can's readers make of a capture, beside what ours do."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import can

from canmap.frames.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


class Seen(NamedTuple):
    """A frame as both readers tell it; the direction is 0 where it is not told."""

    t_us: int
    channel: str
    can_id: int
    extended: bool
    kind: int
    flags: int
    length: int
    payload: bytes


def by_python_can(path: Path) -> list[Seen]:
    """Return the frames as python-can reads them."""
    options = {"relative_timestamp": False} if path.suffix == ".asc" else {}
    with can.LogReader(str(path), **options) as reader:
        return [seen(message, 0 if path.suffix == ".trc" else 1) for message in reader]


def seen(message: can.Message, first_channel: int) -> Seen:
    """Return a message of python-can as a frame; its channels count from 0, but in .trc."""
    kind = FrameKind.DATA
    if message.is_error_frame:
        kind = FrameKind.ERROR
    elif message.is_remote_frame:
        kind = FrameKind.REMOTE
    # There are no FD remote frames (ISO 11898-1), and an error frame is neither classic nor FD: python-can
    # marks them FD because an .asc writes them in a line for FD, whose flags field says the contrary.
    is_fd = message.is_fd and kind == FrameKind.DATA
    flags = FLAG_FD * is_fd | FLAG_BIT_RATE_SWITCH * (is_fd and message.bitrate_switch)
    flags |= FLAG_ERROR_PASSIVE * (is_fd and message.error_state_indicator)
    flags |= FLAG_RECEIVED if message.is_rx else FLAG_SENT
    length = message.dlc if kind != FrameKind.DATA else len(message.data)
    return Seen(
        round(message.timestamp * 1e6),
        "1" if message.channel is None else str(message.channel + first_channel),
        message.arbitration_id,
        message.is_extended_id and kind != FrameKind.ERROR,
        kind,
        flags,
        length,
        bytes(message.data),
    )


def by_column(chunk: FrameChunk) -> list[Seen]:
    """Return the frames of a chunk."""
    return [
        Seen(
            round(int(chunk.t_ns[i]) / 1000),
            chunk.channels[chunk.channel[i]],
            int(chunk.can_id[i]),
            bool(chunk.extended[i]),
            int(chunk.kind[i]),
            int(chunk.flags[i]),
            int(chunk.length[i]),
            b"" if chunk.kind[i] == FrameKind.REMOTE else chunk.payload[i, : chunk.length[i]].tobytes(),
        )
        for i in range(len(chunk))
    ]


def assert_same(got: Sequence[Seen], expected: Sequence[Seen]) -> None:
    """Compare frames; where ours tell no direction, python-can says received."""
    assert len(got) == len(expected)
    for mine, theirs in zip(got, expected, strict=True):
        told = theirs
        if not mine.flags & (FLAG_RECEIVED | FLAG_SENT):
            told = theirs._replace(flags=theirs.flags & ~(FLAG_RECEIVED | FLAG_SENT))
        assert abs(mine.t_us - told.t_us) <= 1  # a double of seconds tells 0.24 us, and both are rounded
        assert mine == told._replace(t_us=mine.t_us)
