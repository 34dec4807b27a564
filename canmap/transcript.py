"""Captures of one session to one capture, in whatever format the ending of its name tells."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.errors import CaptureError, OutputError
from canmap.formats import BY_ENDING, Channels
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.outputs.captures import write_capture
from canmap.run import Intake

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from os import PathLike

    from canmap.chunks import BadLine, FrameChunk


@dataclass(frozen=True, slots=True)
class Transcript:
    """What became of captures that were written to another.

    Attributes:
        path: The capture that was written.
        frames: Frames in it.
        left_out: Frames that its format cannot hold.
        channels: The channels of the frames, as they were named.
        keeps_channels: Whether the format tells them apart.
        bad_lines: Lines and objects of the captures that could not be read.
        bad: The first of them.
    """

    path: str
    frames: int
    left_out: int
    channels: tuple[str, ...]
    keeps_channels: bool
    bad_lines: int
    bad: tuple[BadLine, ...]


def transcribe(
    captures: str | PathLike[str] | Sequence[str | PathLike[str]],
    path: str | PathLike[str],
    span_s: tuple[float, float] = (0.0, float("inf")),
) -> Transcript:
    """Write the frames of captures to one capture, merged as an inspection merges them.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        path: The capture to write; it appears whole or not at all.
        span_s: The part of the session to write, in s from its first frame.

    Raises:
        CaptureError: A capture cannot be read, or no frame is left to write.
        OutputError: The capture cannot be written, is one of those that are read, or has another ending.
        UsageError: A library that a format needs is not installed.
    """
    names = [str(one) for one in (captures if isinstance(captures, list | tuple) else [captures])]
    target = Path(path)
    if any(Path(name).exists() and Path(name).resolve() == target.resolve() for name in names):
        raise OutputError(f"{target} is read itself; name another file to write.")
    intake = Intake(open_captures(names), Window(*span_s))
    reading = _Reading(intake)
    try:
        left_out = write_capture(str(target), reading)
    finally:
        intake.close()
    holds = BY_ENDING[target.suffix.lower()].writes
    return Transcript(
        path=str(target),
        frames=reading.frames - left_out,
        left_out=left_out,
        channels=tuple(sorted(reading.channels)),
        keeps_channels=holds.channels is not Channels.ONE,
        bad_lines=reading.bad_lines,
        bad=tuple(reading.bad),
    )


class _Reading:
    """The chunks of an intake, and what was seen in them."""

    def __init__(self, intake: Intake) -> None:
        self._intake = intake
        self.frames = self.bad_lines = 0
        self.channels: set[str] = set()
        self.bad: list[BadLine] = []

    def __iter__(self) -> Iterator[FrameChunk]:
        for chunk in self._intake.chunks():
            self.frames += len(chunk)
            self.channels |= {chunk.channels[number] for number in set(chunk.channel.tolist())}
            self.bad_lines += chunk.bad_count
            self.bad += chunk.bad[: 1 if not self.bad else 0]
            yield chunk
        if not self.frames:
            names = ", ".join(self._intake.source.captures)
            reason = f" Line {self.bad[0].line}: {self.bad[0].reason}." if self.bad else ""
            raise CaptureError(f"{names} holds no frame to write; give a capture that does.{reason}")
