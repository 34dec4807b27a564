"""The common half of the checks of what is a fault only once it has lasted for some time."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episodes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import End
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding
    from canmap.stream.view import View

NEVER_NS = np.iinfo(np.int64).min // 2


@dataclass(frozen=True, slots=True)
class Judged:
    """How samples are judged, one of each that tells anything.

    Attributes:
        clock: int64[n], session clock of each, ascending.
        values: float64[n], what findings tell of each; of a fault the largest.
        faulty: bool[n], which are wrong.
        good: bool[n], which are right.
        since_ns: int64[n], session clock from which on the fault of each has lasted.
        first_ns: Session clock of the first sample of all.
        line: Returns the line of the capture of one of them.
    """

    clock: NDArray[np.int64]
    values: NDArray[np.float64]
    faulty: NDArray[np.bool_]
    good: NDArray[np.bool_]
    since_ns: NDArray[np.int64]
    first_ns: int
    line: Callable[[int], int]


def lines_at(view: View, positions: NDArray[np.intp]) -> Callable[[int], int]:
    """Return what tells the line of the capture of one of the frames at some places of a chunk."""
    return lambda place: int(view.prepared.chunk.line[positions[place]])


class Lasting:
    """For how long something has held without a break, sample by sample.

    Args:
        longer_than_ns: The time from which on it lasts.
        gap_ns: Longest time between two samples over which it goes on; None for any.

    Attributes:
        first_ns: Session clock of the first sample, None before it.
    """

    first_ns: int | None

    def __init__(self, longer_than_ns: int, gap_ns: int | None) -> None:
        self._longer_than_ns = longer_than_ns
        self._gap_ns = gap_ns
        self._held = False
        self._last_ns = self._since_ns = NEVER_NS
        self.first_ns = None

    def judged(
        self,
        clock: NDArray[np.int64],
        values: NDArray[np.float64],
        held: NDArray[np.bool_],
        line: Callable[[int], int],
    ) -> Judged | None:
        """Judge the next samples: wrong where it has held for too long, right where it does not hold.

        Args:
            clock: int64[n], session clock of each.
            values: float64[n], what findings tell of each.
            held: bool[n], whether it holds at each.
            line: Returns the line of the capture of one of them.
        """
        if not len(clock):
            return None
        if self.first_ns is None:
            self.first_ns = int(clock[0])
        goes_on = np.concatenate([[self._held], held[:-1]])
        if self._gap_ns is not None:
            goes_on &= np.diff(clock, prepend=self._last_ns) <= self._gap_ns
        begins = np.where(held & ~goes_on, clock, NEVER_NS)
        begins[0] = max(int(begins[0]), self._since_ns)
        since = np.maximum.accumulate(begins)
        self._held, self._last_ns, self._since_ns = bool(held[-1]), int(clock[-1]), int(since[-1])
        faulty = held & (clock - since > self._longer_than_ns)
        return Judged(clock, values, faulty, ~held, since, self.first_ns, line)


class LastingCheck(EpisodeCheck[None]):
    """Judges what is a fault only once it has lasted.

    Args:
        streams: One a subject: the stream of the message whose samples are judged.
    """

    def __init__(self, streams: Sequence[int]) -> None:
        self._streams = tuple(streams)
        self._episodes = Episodes(self._describe)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        for subject in range(len(self._streams)):
            judged = self._judge(subject, view)
            if judged is not None and (subject in self._episodes.open_subjects or judged.faulty.any()):
                self._tell(subject, judged)
        return self._episodes.events()

    def _tell(self, subject: int, judged: Judged) -> None:
        def worst(first: int, last: int) -> float:
            return float(judged.values[first : last + 1][judged.faulty[first : last + 1]].max())

        self._episodes.judge(
            subject=subject,
            seen=0,
            faulty=judged.faulty,
            good=judged.good,
            clock=judged.clock,
            worst=worst,
            line=judged.line,
            since=judged.since_ns,
            first_ns=judged.first_ns,
        )

    @abstractmethod
    def _judge(self, subject: int, view: View) -> Judged | None:
        """Judge the samples that a chunk has of a subject, None for none."""

    @abstractmethod
    def _describe(self, episode: Episode) -> Finding:
        """Return the finding of an episode."""

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._streams[subject])
