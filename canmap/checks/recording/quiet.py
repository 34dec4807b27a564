"""Spans in which no frame of a channel came at all: evidence for what silences have in common."""

from __future__ import annotations

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
    from canmap.stream.view import View

MOST_SPANS = 1000  # of a channel; a bus that is quieter all the time has nothing to tell
NEVER_NS = np.iinfo(np.int64).max
STRIDE = 64  # frames that are looked at together


class QuietChannels(Check[None]):
    """Finds where a channel was quiet for longer than any of its messages may be.

    A channel without a message of the spec is quiet after the shortest such time of the others.

    Attributes:
        since_ns: Session clock of the first frame of each channel of which all spans are kept.
    """

    kinds = (RECORDING_GAP,)  # of the incidents that are made of it

    def __init__(self, setting: Setting) -> None:
        limits: dict[str, int] = {}
        for rule in setting.rules:
            channel = setting.spec.buses[rule.bus].channel
            limits[channel] = min(limits.get(channel, NEVER_NS), rule.stale_after_ns or NEVER_NS)
        self._limits_ns = {channel: limit for channel, limit in limits.items() if limit < NEVER_NS}
        self._of_others_ns = min(self._limits_ns.values(), default=NEVER_NS)
        self._newest_ns: dict[str, int] = {}
        self._spans: dict[str, list[Quiet]] = {}
        self.since_ns: dict[str, int] = {}

    @property
    def spans(self) -> list[Quiet]:
        """The quiet spans, by start; those that last to the end are there after `finish`."""
        return sorted(
            (span for spans in self._spans.values() for span in spans),
            key=lambda span: (span.start_ns, span.channel),
        )

    def fold(self, view: View, _part: None) -> list[Event]:
        """Keep the quiet spans of one chunk."""
        prepared, clock = view.prepared, view.clock
        chunk, counts = prepared.chunk, prepared.channel_counts.tolist()
        order = chunk.channel.tobytes()  # which finds the first and the last of a number quickly
        strides_ns = _longest_strides_ns(clock)
        for number, (channel, count) in enumerate(zip(chunk.channels, counts, strict=True)):
            limit_ns = self._limit_ns(channel)
            if not count or limit_ns == NEVER_NS:
                continue
            newest_ns, last_ns = self._newest_ns.get(channel), int(clock[order.rindex(number)])
            self._newest_ns[channel] = last_ns
            if newest_ns is not None and last_ns - newest_ns <= limit_ns:
                continue
            first_ns = int(clock[order.index(number)])
            if newest_ns is None:
                self.since_ns[channel] = first_ns
            else:
                self._keep(channel, newest_ns, first_ns)
            own = chunk.channel == number
            if strides_ns > limit_ns or not _in_every_stride(own):
                self._keep_all(channel, clock[own])
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

    def _limit_ns(self, channel: str) -> int:
        return self._limits_ns.get(channel, self._of_others_ns)

    def _keep_all(self, channel: str, clock: NDArray[np.int64]) -> None:
        """Keep the quiet spans between the frames of a channel, which came at `clock`."""
        before = (clock[1:] - clock[:-1] > self._limit_ns(channel)).nonzero()[0]
        for start_ns, end_ns in zip(clock[before].tolist(), clock[before + 1].tolist(), strict=True):
            self._keep(channel, start_ns, end_ns)

    def _keep(self, channel: str, start_ns: int, end_ns: int, *, still: bool = False) -> None:
        spans = self._spans.setdefault(channel, [])
        if end_ns - start_ns <= self._limit_ns(channel):
            return
        if len(spans) < MOST_SPANS:
            spans.append(Quiet(channel, start_ns, end_ns, still))
        else:
            self.since_ns.pop(channel, None)  # when it went on is not known any more


def _longest_strides_ns(clock: NDArray[np.int64]) -> int:
    """For how long two strides of frames that follow each other last at most, a part of one included.

    Where each stride holds a frame of a channel, its frames are no further apart than that.
    """
    edges = clock[::STRIDE]
    if len(edges) < 3:
        return int(clock[-1] - clock[0]) if len(edges) else 0
    return int(max((edges[2:] - edges[:-2]).max(), clock[-1] - edges[-2]))


def _in_every_stride(own: NDArray[np.bool_]) -> bool:
    """Whether one of the frames bool[n] stands in every whole stride."""
    whole = len(own) // STRIDE * STRIDE
    return not whole or bool(np.logical_or.reduceat(own[:whole], np.arange(0, whole, STRIDE)).all())
