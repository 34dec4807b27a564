"""Captures of one session to one capture, in whatever format the ending of its name tells."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import public_dataclass
from canmap.base.errors import CaptureError, UsageError
from canmap.engine.intake import Intake
from canmap.frames.capture_formats import written_channels
from canmap.frames.readers import open_captures
from canmap.frames.session import SessionClock
from canmap.frames.window import Window
from canmap.outputs.captures.packedfile import capture_kind
from canmap.outputs.captures.writers import require_written, write_capture
from canmap.outputs.guard import guard_output
from canmap.timing.holes import Holes

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from os import PathLike

    from canmap.frames.chunks import BadLine, FrameChunk


class Uncovered(NamedTuple):
    """Channels that no capture covers for a while, which in one capture looks as if they were silent.

    Attributes:
        channels: As they are named in the captures.
        from_s: Last covered moment before, in s from the first frame of the session.
        to_s: First one after.
    """

    channels: tuple[str, ...]
    from_s: float
    to_s: float


@public_dataclass(frozen=True, slots=True)
class Transcript:
    """What became of captures that were written to another.

    Attributes:
        path: The capture that was written.
        frames: Frames in it.
        left_out: Frames that its format cannot hold.
        channels: Each channel of the frames, by name, and what it is called in the capture.
        uncovered: Where no capture that was read covers a channel, between two that do.
        bad_lines: Lines and objects of the captures that could not be read.
        bad: The first of them.
    """

    path: str
    frames: int
    left_out: int
    channels: Mapping[str, str]
    uncovered: tuple[Uncovered, ...]
    bad_lines: int
    bad: tuple[BadLine, ...]


def transcribe(
    captures: str | PathLike[str] | Sequence[str | PathLike[str]],
    path: str | PathLike[str],
    span_s: tuple[float, float] = (0.0, float("inf")),
    channels: Mapping[str, str] | None = None,
    *,
    overwrite: bool = False,
    form: str | None = None,
) -> Transcript:
    """Write the frames of captures to one capture, merged as an inspection merges them.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        path: The capture to write; it appears whole or not at all. "-" is standard output.
        span_s: The part of the session to write, in s from its first frame.
        channels: Name to the channel that is written under it; all channels under their own by default.
        overwrite: Whether a file that exists may be replaced; never one that is read.
        form: The format, and how it is packed, where `path` does not tell: "log" (on standard output the
            usual one), "log.gz".

    Raises:
        CaptureError: A capture cannot be read, or no frame is left to write.
        OutputError: The capture cannot be written, exists, is one of those that are read, or has another
            ending.
        UsageError: A library that a format needs is not installed, a channel has two names, or `span_s`
            leaves no time.
    """
    names_of = {channel: name for name, channel in (channels or {}).items()}
    if len(names_of) < len(channels or {}):
        raise UsageError("A channel is written under two names; give it one.")
    names = [str(one) for one in (captures if isinstance(captures, list | tuple) else [captures])]
    target = str(path)
    kind = capture_kind(target, form)
    require_written(target, kind)
    guard_output(target, names, overwrite=overwrite)
    intake = Intake(open_captures(names), Window.of(span_s))
    reading = _Reading(intake, names_of)
    try:
        left_out = write_capture(target, reading, form)
    finally:
        intake.close()
    return Transcript(
        path=target,
        frames=reading.frames - left_out,
        left_out=left_out,
        channels=written_channels(sorted(reading.channels), kind.ending),
        uncovered=tuple(reading.uncovered()),
        bad_lines=reading.bad_lines,
        bad=tuple(reading.bad),
    )


class _Reading:
    """The chunks of an intake, and what was seen in them.

    Args:
        intake: Where they come from.
        names_of: The channels to take, and their names; all where it is empty.
    """

    def __init__(self, intake: Intake, names_of: Mapping[str, str]) -> None:
        self._intake = intake
        self._names_of = names_of
        self._session = SessionClock()
        self._session.go_on_from(lambda: intake.window.before)
        self._holes = Holes()
        self._span_ns = (0, 0)  # of the frames
        self.frames = self.bad_lines = 0
        self.channels: set[str] = set()
        self.bad: list[BadLine] = []

    def __iter__(self) -> Iterator[FrameChunk]:
        there: set[str] = set()
        for read in self._intake.chunks():
            self.bad_lines += read.bad_count
            self.bad += read.bad[: 1 if not self.bad else 0]
            clock = self._session.advance(read.t_ns)
            if self._session.start_ns is not None:
                list(self._holes.take(read.coverage or (), self._session.start_ns, self._session.now_ns))
            there.update(read.channels)
            picked = self._picked(read)
            chunk = self._named(read, picked)
            if len(chunk):
                own_ns = clock if picked is None else clock[np.isin(read.channel, picked)]
                self._span_ns = self._span_ns[0] if self.frames else int(own_ns[0]), int(own_ns[-1])
            self.frames += len(chunk)
            self.channels |= {chunk.channels[number] for number in set(chunk.channel.tolist())}
            yield chunk
        if not self.frames:
            raise CaptureError(self._no_frame(there))

    def _picked(self, chunk: FrameChunk) -> list[int] | None:
        """Return the numbers of the channels to take; None for all."""
        if not self._names_of:
            return None
        return [i for i, channel in enumerate(chunk.channels) if channel in self._names_of]

    def _named(self, chunk: FrameChunk, picked: list[int] | None) -> FrameChunk:
        """Return the frames of the channels to take, under their names."""
        if picked is None:
            return chunk
        place = np.zeros(len(chunk.channels) + 1, np.uint8)
        place[picked] = np.arange(len(picked))
        frames = chunk.take(np.isin(chunk.channel, picked))
        names = tuple(self._names_of[chunk.channels[i]] for i in picked)
        return replace(frames, channels=names, channel=place[frames.channel])

    def uncovered(self) -> Iterator[Uncovered]:
        """Yield what is not covered of the channels and the time that were taken."""
        zero_ns = self._session.zero_ns
        channels: dict[tuple[int, int], list[str]] = {}
        for hole in self._holes.found:
            if hole.between and (not self._names_of or hole.channel in self._names_of):
                channels.setdefault((hole.start_ns, hole.end_ns), []).append(hole.channel)
        for (start_ns, end_ns), names in channels.items():
            from_ns, to_ns = max(start_ns, self._span_ns[0]), min(end_ns, self._span_ns[1])
            if from_ns < to_ns:
                yield Uncovered(tuple(sorted(names)), (from_ns - zero_ns) / 1e9, (to_ns - zero_ns) / 1e9)

    def _no_frame(self, there: set[str]) -> str:
        names = ", ".join(self._intake.source.captures)
        missing = sorted(self._names_of.keys() - there)
        if missing and there:
            channels = ", ".join(sorted(there))
            text = f"{names} holds no frame of channel {', '.join(missing)}; it has {channels}."
            turned = [f"{one}={named}" for one, named in self._names_of.items() if named in there]
            return f"{text} To rename one: {', '.join(turned)}, the new name first." if turned else text
        if outside := self._intake.window.nothing_inside():
            return f"{names} {outside}"
        reason = f" Line {self.bad[0].line}: {self.bad[0].reason}." if self.bad else ""
        return f"{names} holds no frame to write; give another capture.{reason}"
