"""Captures for tests: frames to write, seeds for damage, and what a format keeps of frames."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.capture_formats import Channels, Errors, Fd, Holds
from canmap.frames.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    empty_chunk,
    join,
)
from canmap.frames.readers import open_captures
from canmap.outputs.captures.writers import write_capture
from tests.mdffiles import LAYOUTS

if TYPE_CHECKING:
    import random
    from collections.abc import Iterable
    from pathlib import Path

MS = 1_000_000
START_NS = 1_700_000_000 * 1000 * MS
LENGTHS_FD = (0, 1, 8, 12, 20, 48, 64)


def read(path: Path | str) -> FrameChunk:
    """Return everything a capture holds as one chunk; closes it twice."""
    source = open_captures([str(path)])
    try:
        return join(piece() for piece in source.pieces())
    finally:
        source.close()
        source.close()


def mixed(count: int = 400, seed: int = 1) -> FrameChunk:
    """Return frames of all kinds on two channels, with stamps out of order, none before the first."""
    rng = np.random.default_rng(seed)
    chunk = empty_chunk(("1", "2"), count, 64)
    steps = rng.integers(20, 3000, count) * 1000
    steps[rng.random(count) < 0.05] *= -1
    chunk.t_ns[:] = np.maximum(START_NS + np.cumsum(steps), START_NS)
    chunk.t_ns[:1] = START_NS
    chunk.channel[:] = rng.integers(0, 2, count)
    chunk.channel[:1] = 0
    chunk.line[:] = np.arange(1, count + 1)
    for i in range(count):
        _fill(chunk, i, rng)
    return chunk


def _fill(chunk: FrameChunk, i: int, rng: np.random.Generator) -> None:
    roll = rng.random()
    extended = bool(rng.random() < 0.3)
    chunk.flags[i] = FLAG_SENT if rng.random() < 0.2 else FLAG_RECEIVED
    if roll < 0.08:
        chunk.kind[i] = FrameKind.ERROR
        chunk.can_id[i] = rng.choice([0x4, 0x20, 0x40, 0x88])
        chunk.length[i] = 8
    else:
        chunk.extended[i] = extended
        chunk.can_id[i] = rng.integers(0, 0x20000000 if extended else 0x800)
        chunk.length[i] = rng.integers(0, 9)
    if 0.08 <= roll < 0.16:
        chunk.kind[i] = FrameKind.REMOTE
        return
    if roll > 0.8:
        chunk.flags[i] |= FLAG_FD | rng.choice([0, FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE])
        chunk.length[i] = rng.choice(LENGTHS_FD)
    length = int(chunk.length[i])
    chunk.payload[i, :length] = rng.integers(0, 256, length)


def kept(chunk: FrameChunk, holds: Holds) -> FrameChunk:
    """Return what a format of this kind keeps of frames, apart from the exactness of stamps."""
    left = np.ones(len(chunk), np.bool_)
    is_error, is_fd = chunk.kind == FrameKind.ERROR, (chunk.flags & FLAG_FD) != 0
    left &= ~is_error | (holds.errors != Errors.NONE)
    left &= ~is_fd | (holds.fd != Fd.NONE)
    left &= (chunk.kind != FrameKind.REMOTE) | holds.remote
    chunk = chunk.take(left)
    is_error = chunk.kind == FrameKind.ERROR
    flags, can_id, length = chunk.flags.copy(), chunk.can_id.copy(), chunk.length.copy()
    payload = chunk.payload.copy()
    if not holds.direction:
        flags &= ~np.uint8(FLAG_RECEIVED | FLAG_SENT)
    if holds.fd == Fd.LONG:
        flags = np.where(length > 8, flags & ~np.uint8(6) | FLAG_FD, flags & ~np.uint8(7)).astype(np.uint8)
    if holds.errors == Errors.MARKED:
        can_id[is_error], length[is_error], payload[is_error] = 0, 0, 0
    channels, channel = chunk.channels, chunk.channel
    if holds.channels == Channels.ONE:
        channels, channel = ("1",), np.zeros_like(channel)
    return replace(
        chunk, flags=flags, can_id=can_id, length=length, payload=payload, channels=channels, channel=channel
    )


def seeds(folder: Path, ending: str) -> list[bytes]:
    """Return some real captures of a format, as bytes."""
    found = []
    for count, seed in ((3, 5), (40, 2), (300, 3)):
        path = folder / f"seed{count}{ending}"
        write_capture(str(path), [mixed(count, seed)])
        found.append(path.read_bytes())
    if ending == ".mf4":
        found += [layout.file(mixed(40, seed)) for seed, layout in enumerate(LAYOUTS.values())]
    return found


def damaged(rng: random.Random, data: bytes) -> bytes:
    """Return the bytes with some changed, lost, doubled, or the end cut off."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        place = rng.randrange(len(out) + 1)
        span = rng.choice((1, 1, 2, 4, 8, 64))
        roll = rng.random()
        if roll < 0.45:
            out[place : place + span] = rng.choice(
                (rng.randbytes(span), bytes(span), b"\xff" * span, b"\x7f" * span, b"9" * span)
            )
        elif roll < 0.6:
            del out[place : place + span]
        elif roll < 0.75:
            out[place:place] = out[place : place + span]
        elif roll < 0.85:
            out[place:place] = rng.randbytes(span)
        else:
            del out[rng.randrange(len(out) + 1) :]
    return bytes(out)


def frames_of(chunks: Iterable[FrameChunk]) -> int:
    """Return how many frames there are."""
    return sum(map(len, chunks))
