"""Frames: which span of time the captures of a session cover, channel by channel.

In: when captures begin and end, and the channels seen in them. Out: one `Coverage` per channel. A capture
covers each channel it contains from its first to its newest stamp; one that follows another so soon that a
recorder may just have begun a new file goes on with it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from canmap.chunks import LONGEST_BREAK_NS, Coverage


@dataclass(slots=True)
class _Listening:
    """One capture's span; `stop_ns` is None while it runs."""

    start_ns: int
    stop_ns: int | None = None
    channels: set[str] = field(default_factory=set)


class CoverageBook:
    """Keeps the spans of the captures of one session."""

    def __init__(self) -> None:
        self._captures: dict[int, _Listening] = {}
        self._channels: dict[str, None] = {}  # in the order in which they were first seen

    def begin(self, capture: int, start_ns: int) -> None:
        """Note the first stamp of a capture."""
        self._captures[capture] = _Listening(start_ns)

    def see(self, capture: int, channel: str) -> None:
        """Note that a capture contains a channel."""
        self._captures[capture].channels.add(channel)
        self._channels.setdefault(channel)

    def end(self, capture: int, stop_ns: int) -> None:
        """Note the newest stamp of a capture that has ended."""
        self._captures[capture].stop_ns = stop_ns

    def coverage(self, newest_ns: int) -> tuple[Coverage, ...]:
        """Return what has been covered when `newest_ns` is the newest stamp of the session."""
        return tuple(self._of(channel, newest_ns) for channel in self._channels)

    def _of(self, channel: str, newest_ns: int) -> Coverage:
        spans = sorted(
            (capture.start_ns, newest_ns if capture.stop_ns is None else capture.stop_ns)
            for capture in self._captures.values()
            if channel in capture.channels
        )
        since_ns, until_ns = spans[0]
        for start_ns, stop_ns in spans[1:]:
            if start_ns - until_ns > LONGEST_BREAK_NS:
                since_ns = start_ns
            until_ns = max(until_ns, stop_ns)
        running = sum(
            capture.stop_ns is None and channel in capture.channels for capture in self._captures.values()
        )
        return Coverage(channel, since_ns, until_ns, recorders=running)
