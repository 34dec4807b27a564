"""Simulator: frames, releases and transmissions, one by one, to columns and back."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import chain, compress, repeat
from operator import is_not
from typing import TYPE_CHECKING, Any, Self

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
    rows_of,
)
from canmap.simulator.buses.frame import Frame, new_frame
from canmap.simulator.buses.frame_bits import new_length, wire_lengths
from canmap.simulator.buses.network import BusError, ErrorKind, Outcome, Transmission, new_release

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

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
    can_id, payload, extended, remote, requested, flags = _turned(frames)
    n = len(frames)
    length = _small(map(len, payload))
    width = FD_WIDTH if length.max() > CLASSIC_WIDTH else CLASSIC_WIDTH
    padded = np.zeros((n, width), np.uint8)
    padded[np.arange(width) < length[:, np.newaxis]] = np.frombuffer(b"".join(payload), np.uint8)
    kind = np.where(_small(remote), FrameKind.REMOTE, FrameKind.DATA).astype(np.uint8)
    kind[list(errors)] = FrameKind.ERROR
    return FrameChunk(
        channels=(channel,),
        t_ns=np.zeros(n, np.int64) if t_ns is None else np.array(t_ns, np.int64),
        channel=np.zeros(n, np.uint8),
        can_id=np.fromiter(can_id, np.uint32, n),
        extended=_small(extended).astype(np.bool_),
        kind=kind,
        flags=_small(flags),
        length=length + _small(requested),
        payload=padded,
        line=np.arange(first_line, first_line + n, dtype=np.int64),
    )


def _turned(rows: Sequence[tuple[Any, ...]]) -> list[list[Any]]:
    """Return the columns of some rows: as `zip` does, which looks at each row as often as it has columns."""
    flat, width = list(chain.from_iterable(rows)), len(rows[0])
    return [flat[place::width] for place in range(width)]


def _small(numbers: Iterable[int]) -> NDArray[np.uint8]:
    """Return numbers from 0 to 255 as a column, several times as fast as `array` does."""
    return np.frombuffer(bytes(numbers), np.uint8)


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
class Heard:
    """What a recorder needs of transmissions, as columns; the attributes are those of `Transmission`.

    Attributes:
        frames: The frames; `t_ns` is the end of each.
        outcome: int64[n], an `Outcome`.
        start_ns: int64[n].
        error: int16[n, 2 or more], kind and bit of a `BusError`; -1 where there is none.
    """

    frames: FrameChunk
    outcome: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    error: NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.outcome)

    def take(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Self:
        """Return the transmissions at `rows`."""
        if isinstance(rows, np.ndarray) and rows.dtype == np.bool_ and rows.all():
            return self
        columns = {field.name: getattr(self, field.name) for field in fields(self)[1:]}
        return replace(self, frames=self.frames.take(rows), **rows_of(columns, rows))


@dataclass(frozen=True, slots=True)
class Sent(Heard):
    """Transmissions as columns; the attributes are those of `Transmission`.

    Attributes:
        node: int64[n].
        queued_ns: int64[n].
        attempts: int64[n].
        error: int16[n, 4], kind, bit, transmit and receive count of a `BusError`; -1 where there is none.
    """

    node: NDArray[np.int64]
    queued_ns: NDArray[np.int64]
    attempts: NDArray[np.int64]


def traffic_of(releases: Sequence[Release], channel: str = "can0") -> Traffic:
    """Return `releases` as columns."""
    frames = as_chunk([r.frame for r in releases], [r.t_ns for r in releases], channel)
    return Traffic(frames, np.array([r.node for r in releases], np.int64))


def releases_of(traffic: Traffic) -> list[Release]:
    """Return `traffic` one by one, each with its bits on the wire: as columns, these take no time."""
    frames = traffic.frames
    nominal, data = wire_lengths(frames)
    keys = (nominal << 16 | data).tolist()
    lengths = {key: new_length((key >> 16, key & 0xFFFF)) for key in set(keys)}
    columns = (frames.t_ns.tolist(), traffic.node.tolist(), frames_of(frames), map(lengths.__getitem__, keys))
    return list(map(new_release, zip(*columns, strict=True)))


def columns_of(transmissions: Sequence[Transmission], channel: str = "can0") -> Sent:
    """Return `transmissions` as columns."""
    if not transmissions:
        none = np.zeros(0, np.int64)
        return Sent(empty_chunk((channel,)), none, none, _errors((), 4), none, none, none)
    t_ns, node, frames, queued_ns, attempts, outcome, start_ns, errors = _turned(transmissions)
    return Sent(
        _repeated(frames, t_ns, channel),
        outcome=_small(outcome).astype(np.int64),
        start_ns=_column(start_ns),
        error=_errors(errors, 4),
        node=_column(node),
        queued_ns=_column(queued_ns),
        attempts=_column(attempts),
    )


def heard_of(transmissions: Sequence[Transmission], channel: str = "can0") -> Heard:
    """Return what a recorder needs of `transmissions`, as columns: in half of the time that all take."""
    if not transmissions:
        none = np.zeros(0, np.int64)
        return Heard(empty_chunk((channel,)), none, none, _errors((), 2))
    t_ns, _, frames, _, _, outcome, start_ns, errors = _turned(transmissions)
    return Heard(
        _repeated(frames, t_ns, channel),
        outcome=_small(outcome).astype(np.int64),
        start_ns=_column(start_ns),
        error=_errors(errors, 2),
    )


def _column(numbers: Sequence[int]) -> NDArray[np.int64]:
    return np.fromiter(numbers, np.int64, len(numbers))


def _errors(errors: Sequence[BusError | None], numbers: int) -> NDArray[np.int16]:
    """Return the first `numbers` numbers of errors, int16[n, numbers]; -1 where there is none."""
    columns = np.full((len(errors), numbers), -1, np.int16)
    if found := [each for each in errors if each is not None]:
        rows = np.flatnonzero(np.fromiter(map(is_not, errors, repeat(None)), np.bool_, len(errors)))
        columns[rows, 0] = _small([each[0] for each in found])
        for place in range(1, numbers):
            columns[rows, place] = np.fromiter([each[place] for each in found], np.int16, len(found))
    return columns


def _repeated(frames: list[Frame], t_ns: list[int], channel: str) -> FrameChunk:
    """Return `frames` as one chunk; one that is sent many times in a row is made only once."""
    n = len(frames)
    new = np.fromiter(map(is_not, frames, [None, *frames]), np.bool_, n)
    chunk = as_chunk(list(compress(frames, new)), channel=channel)
    if len(chunk) < n:
        chunk = chunk.take(np.cumsum(new) - 1)
    return replace(chunk, t_ns=_column(t_ns), line=np.arange(1, n + 1, dtype=np.int64))


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
    width = chunk.payload.shape[1]
    remote = chunk.kind == FrameKind.REMOTE
    length = np.where(remote, 0, chunk.length)
    payload: list[bytes] = np.ascontiguousarray(chunk.payload).view(f"V{width}")[:, 0].tolist()
    for row in np.flatnonzero(length < width).tolist():
        payload[row] = payload[row][: length[row]]
    flags = chunk.flags & (FLAG_FD | FLAG_BIT_RATE_SWITCH | FLAG_ERROR_PASSIVE)
    columns = (chunk.extended, remote, np.where(remote, chunk.length, 0), flags)
    one_by_one = zip(chunk.can_id.tolist(), payload, *(each.tolist() for each in columns), strict=True)
    return list(map(new_frame, one_by_one))
