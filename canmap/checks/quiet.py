"""Spans in which no frame of a channel came at all: evidence for what silences have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.check import Check
from canmap.findings.incidents import Quiet
from canmap.findings.kinds import RECORDING_GAP

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.findings.finding import Finding
    from canmap.signals.prepared import Prepared
    from canmap.stream.view import View

MOST_SPANS = 1000  # of a channel; a bus that is quieter all the time has nothing to tell
NEVER_NS = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class ChannelFrames:
    """The frames of one channel in a chunk.

    Attributes:
        first: Row of the first.
        last: Row of the last.
        before: intp[k], rows after which the channel was quiet for long.
        after: intp[k], the next row of the channel.
    """

    first: int
    last: int
    before: NDArray[np.intp]
    after: NDArray[np.intp]


class QuietChannels(Check["dict[str, ChannelFrames]"]):
    """Finds where a channel was quiet for longer than any of its messages may be."""

    kinds = (RECORDING_GAP,)  # of the incidents that are made of it
    judges = ("supply_groups",)

    def __init__(self, setting: Setting) -> None:
        limits: dict[str, int] = {}
        for rule in setting.rules:
            channel = setting.spec.buses[rule.bus].channel
            limits[channel] = min(limits.get(channel, NEVER_NS), rule.stale_after_ns or NEVER_NS)
        self._limits_ns = {channel: limit for channel, limit in limits.items() if limit < NEVER_NS}
        self._newest_ns: dict[str, int] = {}
        self._spans: dict[str, list[Quiet]] = {channel: [] for channel in self._limits_ns}

    @property
    def spans(self) -> list[Quiet]:
        """The quiet spans, by start; those that last to the end are there after `finish`."""
        return sorted(
            (span for spans in self._spans.values() for span in spans),
            key=lambda span: (span.start_ns, span.channel),
        )

    def prepare(self, prepared: Prepared) -> dict[str, ChannelFrames] | None:
        """Return the frames of each channel that is judged."""
        chunk = prepared.chunk
        found: dict[str, ChannelFrames] = {}
        for number, channel in enumerate(chunk.channels):
            limit_ns = self._limits_ns.get(channel)
            if limit_ns is None or not prepared.channel_counts[number]:
                continue
            if prepared.channel_counts[number] == len(chunk):
                first, last = 0, len(chunk) - 1
                after = np.flatnonzero(np.diff(chunk.t_ns) > limit_ns) + 1
                before = after - 1
            else:
                rows = np.flatnonzero(chunk.channel == number)
                first, last = int(rows[0]), int(rows[-1])
                gaps = np.flatnonzero(np.diff(chunk.t_ns[rows]) > limit_ns)
                before, after = rows[gaps], rows[gaps + 1]
            found[channel] = ChannelFrames(first, last, before, after)
        return found

    def fold(self, view: View, part: dict[str, ChannelFrames] | None) -> list[Event]:
        """Keep the quiet spans of one chunk."""
        for channel, frames in (part or {}).items():
            clock = view.clock
            begun_ns = self._newest_ns.get(channel)
            if begun_ns is not None:
                self._keep(channel, begun_ns, int(clock[frames.first]))
            for start_ns, end_ns in zip(
                clock[frames.before].tolist(), clock[frames.after].tolist(), strict=True
            ):
                self._keep(channel, start_ns, end_ns)
            self._newest_ns[channel] = int(clock[frames.last])
        return []

    def finish(self, end: End) -> list[Event]:
        """Keep the spans that last to the end."""
        for channel, newest_ns in self._newest_ns.items():
            until_ns = end.timeline.holes.until_ns(channel, end.session.now_ns)
            self._keep(channel, newest_ns, until_ns, still=True)
        return []

    def findings(self) -> list[Finding]:
        """Return none: a channel that is quiet is told with the messages that it silences."""
        return []

    def _keep(self, channel: str, start_ns: int, end_ns: int, *, still: bool = False) -> None:
        spans = self._spans[channel]
        if end_ns - start_ns > self._limits_ns[channel] and len(spans) < MOST_SPANS:
            spans.append(Quiet(channel, start_ns, end_ns, still))
