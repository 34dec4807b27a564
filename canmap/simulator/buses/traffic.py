"""Simulator: frames, releases and transmissions, one by one, to columns and back."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FrameChunk,
    FrameKind,
    empty_chunk,
)
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.network import BusError, ErrorKind, Outcome, Transmission

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.simulator.buses.network import Release


def as_chunk(
    frames: Sequence[Frame],
    t_ns: Sequence[int] | None = None,
    channel: str = "can0",
    errors: Sequence[int] = (),
    first_line: int = 1,
) -> FrameChunk:
    """Return `frames` as one chunk.

    Args:
        frames: Frames in arrival order.
        t_ns: Their stamps; None: all 0.
        channel: Name of their channel.
        errors: Positions of the error frames among them: the identifier is their class bits.
        first_line: Line number of the first.
    """
    if not frames:
        return empty_chunk((channel,))
    can_id, payload, extended, remote, requested, flags = zip(*frames, strict=True)
    width = FD_WIDTH if any(len(data) > CLASSIC_WIDTH for data in payload) else CLASSIC_WIDTH
    padded = b"".join([data.ljust(width, b"\0") for data in payload])
    kind = np.where(np.array(remote, np.bool_), FrameKind.REMOTE, FrameKind.DATA).astype(np.uint8)
    kind[list(errors)] = FrameKind.ERROR
    length = np.array([len(data) for data in payload], np.uint8) + np.array(requested, np.uint8)
    n = len(frames)
    return replace(
        empty_chunk((channel,), n),
        t_ns=np.zeros(n, np.int64) if t_ns is None else np.array(t_ns, np.int64),
        can_id=np.array(can_id, np.uint32),
        extended=np.array(extended, np.bool_),
        kind=kind,
        flags=np.array(flags, np.uint8),
        length=length.astype(np.uint8),
        payload=np.frombuffer(padded, np.uint8).reshape(n, width),
        line=np.arange(first_line, first_line + n, dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class Traffic:
    """Releases as columns.

    Attributes:
        frames: What is released; `t_ns` is when.
        node: int64[n], index of the node.
    """

    frames: FrameChunk
    node: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sent:
    """Transmissions as columns; the attributes are those of `Transmission`.

    Attributes:
        frames: The frames; `t_ns` is the end of each.
        node: int64[n].
        queued_ns: int64[n].
        attempts: int64[n].
        outcome: int64[n], an `Outcome`.
        start_ns: int64[n].
        error: int16[n, 4], kind, bit, transmit and receive count of a `BusError`; -1 where there is none.
    """

    frames: FrameChunk
    node: NDArray[np.int64]
    queued_ns: NDArray[np.int64]
    attempts: NDArray[np.int64]
    outcome: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    error: NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.node)

    def take(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Sent:
        """Return the transmissions at `rows`."""
        columns = {field.name: getattr(self, field.name)[rows] for field in fields(self)[1:]}
        return Sent(self.frames.take(rows), **columns)


def traffic_of(releases: Sequence[Release], channel: str = "can0") -> Traffic:
    """Return `releases` as columns."""
    frames = as_chunk([r.frame for r in releases], [r.t_ns for r in releases], channel)
    return Traffic(frames, np.array([r.node for r in releases], np.int64))


def columns_of(transmissions: Sequence[Transmission], channel: str = "can0") -> Sent:
    """Return `transmissions` as columns."""
    if not transmissions:
        none = np.zeros(0, np.int64)
        return Sent(empty_chunk((channel,)), none, none, none, none, none, np.zeros((0, 4), np.int16))
    t_ns, node, frames, queued_ns, attempts, outcome, start_ns, error = zip(*transmissions, strict=True)
    errors = np.full((len(transmissions), 4), -1, np.int16)
    for row in [row for row, what in enumerate(error) if what is not None]:
        errors[row] = error[row]
    return Sent(
        as_chunk(frames, t_ns, channel),
        node=np.array(node, np.int64),
        queued_ns=np.array(queued_ns, np.int64),
        attempts=np.array(attempts, np.int64),
        outcome=np.array(outcome, np.int64),
        start_ns=np.array(start_ns, np.int64),
        error=errors,
    )


def transmissions_of(sent: Sent) -> list[Transmission]:
    """Return `sent` one by one."""
    errors = [
        BusError(ErrorKind(kind), bit, transmit_count, receive_count) if kind >= 0 else None
        for kind, bit, transmit_count, receive_count in sent.error.tolist()
    ]
    columns = zip(
        sent.frames.t_ns.tolist(),
        sent.node.tolist(),
        frames_of(sent.frames),
        sent.queued_ns.tolist(),
        sent.attempts.tolist(),
        map(Outcome, sent.outcome.tolist()),
        sent.start_ns.tolist(),
        errors,
        strict=True,
    )
    return [Transmission(*one) for one in columns]


def frames_of(chunk: FrameChunk) -> list[Frame]:
    """Return the frames of `chunk`, one by one."""
    width, data = chunk.payload.shape[1], chunk.payload.tobytes()
    remote = chunk.kind == FrameKind.REMOTE
    ends = np.arange(len(chunk)) * width + np.where(remote, 0, chunk.length)
    flags = chunk.flags & (FLAG_FD | FLAG_BIT_RATE_SWITCH | FLAG_ERROR_PASSIVE)
    return [
        Frame(can_id, data[width * row : end], extended, is_remote, requested, flag)
        for row, (can_id, end, extended, is_remote, requested, flag) in enumerate(
            zip(
                chunk.can_id.tolist(),
                ends.tolist(),
                chunk.extended.tolist(),
                remote.tolist(),
                np.where(remote, chunk.length, 0).tolist(),
                flags.tolist(),
                strict=True,
            )
        )
    ]
