"""Frames: which span of time the captures of a session cover, channel by channel.

In: when captures begin and end, and the channels seen in them, all on the session clock. Out: one `Coverage`
per channel. A capture covers each channel of which it holds a frame, from its first frame to its last; one
that follows another so soon that a recorder may just have begun a new file goes on with it. A capture in
which a channel shows late covers it back to its own begin, but not over a break that was over by then: there
nothing was judged.
"""

from __future__ import annotations

from dataclasses import field

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import LONGEST_BREAK_NS, Coverage


@dataclass(slots=True)
class _Listening:
    """A capture that has begun and not ended."""

    start_ns: int
    channels: set[str] = field(default_factory=set)


@dataclass(slots=True)
class _Span:
    """The span in which a channel is covered; `until_ns` is that of the captures that have ended."""

    since_ns: int
    until_ns: int
    recorders: int = 0


class CoverageBook:
    """Keeps the spans of the captures of one session."""

    def __init__(self) -> None:
        self._running: dict[int, _Listening] = {}
        self._spans: dict[str, _Span] = {}  # in the order in which the channels were first seen

    def begin(self, capture: int, start_ns: int) -> None:
        """Note the first frame of a capture."""
        self._running[capture] = _Listening(start_ns)

    def has_seen(self, capture: int, channel: str) -> bool:
        """Whether a capture is known to contain a channel."""
        return channel in self._running[capture].channels

    def see(self, capture: int, channel: str) -> None:
        """Note that a capture contains a channel; once."""
        listening = self._running[capture]
        listening.channels.add(channel)
        span = self._spans.setdefault(channel, _Span(listening.start_ns, listening.start_ns))
        if not span.recorders and listening.start_ns - span.until_ns > LONGEST_BREAK_NS:
            span.since_ns = listening.start_ns
        span.recorders += 1

    def end(self, capture: int, stop_ns: int) -> None:
        """Note the last frame of a capture."""
        for channel in self._running.pop(capture).channels:
            span = self._spans[channel]
            span.recorders -= 1
            span.until_ns = max(span.until_ns, stop_ns)

    def coverage(self) -> tuple[Coverage, ...]:
        """Return what is covered now."""
        return tuple(
            Coverage(channel, span.since_ns, None if span.recorders else span.until_ns, span.recorders)
            for channel, span in self._spans.items()
        )
