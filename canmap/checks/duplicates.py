"""What is wrong with the bus or its recorder, whatever the messages say: frames that came twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import seconds, times
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import DUPLICATE
from canmap.frames.chunks import join
from canmap.signals.repeats import repeats

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.findings.episodes import Episode, Event
    from canmap.frames.chunks import FrameChunk
    from canmap.signals.prepared import Prepared
    from canmap.signals.repeats import BitRates, Repeats
    from canmap.stream.view import View


class DuplicateCheck:
    """Reports the frames that came twice, and finds those that repeat the last frame of the chunk before.

    Args:
        buses: Name of the bus by its channel.
        rates: Bit rates by channel; a channel without is not judged.
    """

    kinds = (DUPLICATE,)

    def __init__(self, buses: Mapping[str, str], rates: Mapping[str, BitRates]) -> None:
        self._buses = buses
        self._rates = rates
        self._channels = tuple(rates)
        self._last: dict[str, tuple[FrameChunk, int]] = {}  # the newest frame: in which chunk, and where
        self._newest_ns: dict[int, int] = {}  # of a channel with repeats: clock of its newest frame
        self._episodes = Episodes(self._describe, lambda _channel, gap_ns: -abs(gap_ns))

    def repeats_of_last(self, prepared: Prepared) -> Repeats | None:
        """Return the repeats of a chunk with those of the frames before it; None where there are none."""
        chunk = prepared.chunk
        rows: list[int] = []
        gaps: list[int] = []
        for channel, (first, last) in prepared.repeats.ends.items():
            before, self._last[channel] = self._last.get(channel), (chunk, last)
            if before is None or before[0].can_id[before[1]] != chunk.can_id[first]:
                continue
            pair = [whole.take(slice(row, row + 1)) for whole, row in (before, (chunk, first))]
            found = repeats(join(pair), self._rates)
            if len(found.rows):
                rows.append(first)
                gaps.append(int(found.gap_ns[0]))
        return prepared.repeats.with_first(rows, gaps) if rows else None

    def fold(self, view: View) -> list[Event]:
        """Report the repeated frames of one chunk."""
        found = view.prepared.repeats
        if not len(found.rows) and not self._episodes.open_subjects:
            return []
        chunk = view.prepared.chunk
        for subject, name in enumerate(self._channels):
            if name not in found.ends:
                continue
            rows = np.flatnonzero(chunk.channel == chunk.channels.index(name))
            repeated = np.isin(rows, found.rows)
            if subject in self._episodes.open_subjects or repeated.any():
                self._fold_channel(view, subject, rows, repeated)
        return self._episodes.events()

    def finish(self) -> list[Event]:
        """Close what is open; where the last frame of a channel is a repeat, it went on up to that."""
        self._episodes.finish(lambda subject: self._newest_ns[subject])
        return self._episodes.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _fold_channel(self, view: View, subject: int, rows: np.ndarray, repeated: np.ndarray) -> None:
        found = view.prepared.repeats
        gap_ns = np.zeros(len(view.clock), np.int64)
        gap_ns[found.rows] = found.gap_ns
        self._newest_ns[subject] = int(view.clock[rows[-1]])

        def worst(first: int, last: int) -> float:
            gaps = gap_ns[rows[first : last + 1][repeated[first : last + 1]]]
            closest = gaps[np.abs(gaps) == np.abs(gaps).min()]
            return self._episodes.worse(subject, int(closest.min()), int(closest.max()))

        self._episodes.judge(
            subject=subject,
            seen=1,
            faulty=repeated,
            good=~repeated,
            clock=view.clock[rows],
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[rows[first]]),
        )

    def _describe(self, episode: Episode) -> Finding:
        channel = self._channels[episode.subject]
        where = f" in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        what = "A frame" if episode.count == 1 and not where else times(episode.count, "frame")
        apart = seconds(abs(episode.worst))
        closest = f"{apart} after the first time" if episode.count == 1 else f"as little as {apart} apart"
        return episode.finding(
            DUPLICATE,
            Place(bus=self._buses[channel]),
            value=episode.worst / 1e9,
            text=(
                f"{what} of channel {channel} came twice{where}, {closest}, "
                "sooner than the bus can send it again; the second is left out."
            ),
        )
