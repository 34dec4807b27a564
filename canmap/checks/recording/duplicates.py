"""Frames that came twice: a fault of the recorder, whatever the messages say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import seconds, times
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Place
from canmap.findings.kinds import DUPLICATE

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding
    from canmap.stream.view import View


class DuplicateCheck(EpisodeCheck[None]):
    """Reports the frames that came twice, on the channels whose bit rate is known."""

    kinds = (DUPLICATE,)

    def __init__(self, setting: Setting) -> None:
        self._buses = setting.buses
        self._channels = tuple(setting.rates)
        self._newest_ns: dict[int, int] = {}  # of a channel with repeats: clock of its newest frame
        self._episodes = Episodes(self._describe, lambda _channel, gap_ns: -abs(gap_ns))

    def fold(self, view: View, _part: None) -> list[Event]:
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

    def _until_ns(self, end: End, subject: int) -> int:
        return self._newest_ns[subject]  # where the last frame is a repeat, it went on up to that

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
        apart = seconds(abs(episode.worst)) if episode.worst else ""
        if episode.count == 1:
            closest = f"{apart} after the first time" if apart else "with the same stamp"
        else:
            closest = f"as little as {apart} apart" if apart else "some with the same stamp"
        return episode.finding(
            DUPLICATE,
            Place(bus=self._buses[channel]),
            value=episode.worst / 1e9,
            text=(
                f"{what} of channel {channel} came twice{where}, {closest}, "
                "sooner than the bus can send it again; the second is not used."
            ),
        )
