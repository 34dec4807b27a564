"""When the messages came: the arrival of every described frame on the session clock, stream by stream.

A stream is a message of a bus, or the frames of a message with one value of its multiplexer where the spec
promises something of those. This is the ground that the checks of silence and rate and the summary of periods
share.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.signals.extract import patterns
from canmap.timing.expected import Activity
from canmap.timing.holes import Holes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import MessageRule, Selected
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.timing.expected import Changes
    from canmap.timing.holes import Cover, Hole
    from canmap.timing.newest import Newest

Number = TypeVar("Number", np.int64, np.float64)
NO_FRAMES = np.zeros(0, np.intp)


@dataclass(frozen=True, slots=True)
class CutSilence:
    """A silence that ended because the message was no longer awaited, or its channel no longer covered.

    Attributes:
        stream: Of what.
        seen: Frames of it before.
        start_ns: Session clock of the last of them, or from which on the message was awaited.
        end_ns: Session clock from which on it was not.
    """

    stream: int
    seen: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Arrivals:
    """The described frames of one chunk, ordered by stream and within a stream as they arrived.

    Attributes:
        streams: intp[p], the streams that have a frame in the chunk, ascending; those of whole messages
            are the slots of the plan.
        start: intp[p], where each begins in the arrays of length m.
        count: intp[p], how many frames it has.
        clock: int64[m], session clock of each frame.
        gap: int64[m], time since the frame before of the same stream, or since its channel was covered; of a
            message that is not always awaited only the time for which it was, 0 where it is not.
        longest: int64[p], the longest of the gaps of each stream.
        measured: bool[p], the first gap of the stream is between two frames.
        anew: intp[a], further frames whose gap is not, because the message was not awaited all the time.
        seen: int64[p], frames of the stream before this chunk.
        cut: Silences that were cut short, stream by stream in their order.
    """

    streams: NDArray[np.intp]
    start: NDArray[np.intp]
    count: NDArray[np.intp]
    clock: NDArray[np.int64]
    gap: NDArray[np.int64]
    longest: NDArray[np.int64]
    measured: NDArray[np.bool_]
    anew: NDArray[np.intp]
    seen: NDArray[np.int64]
    cut: tuple[CutSilence, ...]

    def per_frame(self, values: NDArray[Number]) -> NDArray[Number]:
        """Return the values [streams] of each stream, repeated for its frames: [m]."""
        return values[self.streams].repeat(self.count)

    def unmeasured(self) -> NDArray[np.intp] | None:
        """Return the frames whose gap is not between two frames of an awaited message; None where all are."""
        if self.measured.all() and not len(self.anew):
            return None
        first = self.start[~self.measured]
        return np.concatenate((first, self.anew)) if len(first) or len(self.anew) else None


class Timeline:
    """Arrival state of every stream.

    Args:
        plan: The decode plan.
        rules: One rule a stream: first one for each slot of the plan, then those of multiplexer values.
        channels: Channel of each bus.

    Attributes:
        last_ns: int64[streams], session clock of the last frame, or from which on its channel is covered.
        seen: int64[streams], frames so far.
        until_ns: int64[streams], session clock up to which nothing more will come.
        since_ns: int64[streams], session clock from which on its channel is covered.
        activity: When each has to come.
        holes: What of the channels is not covered; complete once it is closed.
    """

    def __init__(self, plan: DecodePlan, rules: Sequence[MessageRule], channels: Sequence[str]) -> None:
        streams = len(rules)
        self._bus = np.array([plan.buses.index(rule.bus) for rule in rules], np.intp)
        self._selections = tuple(
            (plan.column_of[rule.bus, rule.message.name, rule.selected.signal], rule.selected)
            for rule in rules[len(plan.slots) :]
            if rule.selected is not None
        )
        self.activity = Activity(plan, rules)
        self._channels = tuple(channels)
        self.holes = Holes()
        self._cut: list[CutSilence] = []  # by the holes that end where the chunk begins
        self._real = np.zeros(streams, np.bool_)
        self.last_ns = np.zeros(streams, np.int64)
        self.since_ns = np.zeros(streams, np.int64)
        self.until_ns = np.zeros(streams, np.int64)
        self.seen = np.zeros(streams, np.int64)
        self._started = False

    @property
    def quiet_since_ns(self) -> NDArray[np.int64]:
        """int64[streams], session clock of the last frame, or from which on one is awaited."""
        quiet: NDArray[np.int64] = np.maximum(self.last_ns, self.activity.since_ns)
        return quiet

    @property
    def goes_on(self) -> NDArray[np.bool_]:
        """bool[streams], whether each is awaited and has come since it is, with no hole since."""
        return self._real & self.activity.awaited

    @property
    def silence_ns(self) -> NDArray[np.int64]:
        """int64[streams], for how long nothing has come though it was awaited and its channel covered."""
        return np.where(self.activity.awaited, self.until_ns - self.quiet_since_ns, 0)

    def cover(self, chunk: FrameChunk, session: SessionClock) -> tuple[Hole, ...]:
        """Take in what the chunk says was listened to, before its frames are folded.

        Args:
            chunk: The chunk.
            session: The clock, already advanced over the chunk.

        Returns:
            The holes that end where it begins.
        """
        if session.start_ns is None:
            return ()
        if not self._started:
            self._started = True
            self.activity.start(session.start_ns)
            for column in (self.last_ns, self.since_ns, self.until_ns):
                column[:] = session.start_ns
        if chunk.coverage is None:
            self.until_ns[:] = session.now_ns
            return ()
        known = len(self.holes.found)
        for cover in self.holes.take(chunk.coverage, session.start_ns, session.now_ns):
            self._cover_channel(cover)
        return tuple(self.holes.found[known:])

    def _cover_channel(self, cover: Cover) -> None:
        streams = self._streams_on(cover.channel)
        if cover.broken:
            self._cut_off(streams)
        if cover.since_ns is not None:
            self.since_ns[streams] = self.last_ns[streams] = cover.since_ns
            self._real[streams] = False
        self.until_ns[streams] = np.maximum(self.until_ns[streams], cover.until_ns)

    def _cut_off(self, streams: NDArray[np.bool_]) -> None:
        """Keep the silences that were going on where a hole begins."""
        quiet_ns, silent = self.quiet_since_ns, streams & (self.silence_ns > 0)
        for stream in np.flatnonzero(silent).tolist():
            span_ns = int(quiet_ns[stream]), int(self.until_ns[stream])
            self._cut.append(CutSilence(stream, int(self.seen[stream]), *span_ns))

    def _streams_on(self, channel: str) -> NDArray[np.bool_]:
        buses = [number for number, name in enumerate(self._channels) if name == channel]
        return np.isin(self._bus, buses)

    def close(self, session: SessionClock) -> None:
        """Take a channel that no recorder has as silent from the first frame to the last; once.

        So a message of it is missing however the frames come: from one capture, from several, or paced.
        """
        told = self.holes.channels
        for channel in set(self._channels) - told if told else ():
            self.until_ns[self._streams_on(channel)] = session.now_ns
        self.holes.close(session.now_ns)

    def fold(self, samples: Samples, clock: NDArray[np.int64], newest: Newest) -> Arrivals:
        """Take in the described frames of a chunk and return their arrivals."""
        rows, bounds = self._rows(samples)
        counts = bounds[1:] - bounds[:-1]
        streams = counts.nonzero()[0]
        start, count = bounds[streams], counts[streams]
        at = clock.take(rows)
        gap = np.empty_like(at)
        np.subtract(at[1:], at[:-1], out=gap[1:])
        gap[start] = at[start] - self.last_ns[streams]
        anew, cut, real = self._await(newest, clock, (rows, bounds), gap)
        longest = np.maximum.reduceat(gap, start) if len(start) else gap
        own = real[streams], anew, self.seen[streams], cut
        arrivals = Arrivals(streams, start, count, at, gap, longest, *own)
        self.last_ns[streams] = at[start + count - 1]
        self.seen[streams] += count
        return arrivals

    def _rows(self, samples: Samples) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """The frames of every stream, one after the other, and the bounds of each."""
        if not self._selections:
            return samples.rows, samples.slot_start
        parts = [_selected(samples, *selection) for selection in self._selections]
        ends = len(samples.rows) + np.cumsum([len(part) for part in parts])
        return np.concatenate((samples.rows, *parts)), np.concatenate((samples.slot_start, ends))

    def _await(
        self,
        newest: Newest,
        clock: NDArray[np.int64],
        frames: tuple[NDArray[np.intp], NDArray[np.intp]],
        gap: NDArray[np.int64],
    ) -> tuple[NDArray[np.intp], tuple[CutSilence, ...], NDArray[np.bool_]]:
        """Cut the gaps of what is not always awaited down to the time for which it was."""
        rows, bounds = frames
        real = self._real
        self._real = real | (bounds[1:] > bounds[:-1])
        anew = []
        cut, self._cut = self._cut, []
        for stream in self.activity.streams:
            changes = self.activity.fold(stream, newest)
            own = slice(int(bounds[stream]), int(bounds[stream + 1]))
            at = clock[rows[own]]
            earlier = np.concatenate((self.last_ns[stream : stream + 1], at))
            cut += _cut_silences(stream, int(self.seen[stream]), changes, rows[own], earlier)
            gap[own], is_anew = _awaited_gaps(changes, rows[own], earlier)
            anew.append(np.flatnonzero(is_anew) + own.start)
            last_row = rows[own.stop - 1] if len(at) else -1
            self._real[stream] &= not (len(changes.rows) and changes.rows[-1] >= last_row)
        return (np.concatenate(anew) if anew else NO_FRAMES), tuple(cut), real


def _selected(samples: Samples, column: int, selected: Selected) -> NDArray[np.intp]:
    """The frames of a message in which its multiplexer has the value that a promise is about."""
    chosen = np.isin(samples.values(column), patterns(selected.codes))
    if samples.valid is not None:
        chosen &= samples.valid[samples.column_start[column] : samples.column_start[column + 1]]
    return samples.positions(column)[chosen]


def _awaited_gaps(
    changes: Changes, rows: NDArray[np.intp], earlier: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The gap before each frame as far as it was awaited, and which gaps are not between two awaited frames.

    `earlier` is the clock of the frame before the chunk, and of each of the frames `rows` of the chunk.
    """
    state = np.searchsorted(changes.rows, rows)  # a change by the frame itself counts from the next on
    since_ns = changes.since_ns[state]
    at, before = earlier[1:], earlier[:-1]
    judged = changes.awaited[state] & (at >= since_ns)
    is_anew = ~judged | (since_ns > before)
    is_anew[1:] |= state[1:] != state[:-1]
    is_anew[:1] |= state[:1] > 0
    return np.where(judged, at - np.maximum(before, since_ns), 0), is_anew


def _cut_silences(
    stream: int, seen: int, changes: Changes, rows: NDArray[np.intp], earlier: NDArray[np.int64]
) -> list[CutSilence]:
    """The silences that were going on when the stream was no longer awaited."""
    cut = []
    for i in np.flatnonzero(~changes.awaited[1:]).tolist():
        frames = int(np.searchsorted(rows, changes.rows[i], side="right"))
        start_ns = max(int(earlier[frames]), int(changes.since_ns[i]))
        if start_ns < changes.clock[i]:
            cut.append(CutSilence(stream, seen + frames, start_ns, int(changes.clock[i])))
    return cut
