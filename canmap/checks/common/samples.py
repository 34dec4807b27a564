"""The common half of the checks that judge the values of signals sample by sample."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episodes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding
    from canmap.signals.extract import Samples
    from canmap.stream.view import View


class SampleCheck(EpisodeCheck[None]):
    """Judges the samples of each of its subjects.

    Args:
        setting: Whose decode plan it is.
        columns: The column of each subject, the first where it has several, which are of the same frames.
        plain: For each subject the smallest and the largest of a run of raw values, as `Samples.raw` holds
            them, that all are good: a chunk in which the first column holds no others is not gone through.
            (HIGHEST, LOWEST) for none.
        excess: Returns how bad a value of a subject is.
    """

    def __init__(
        self,
        setting: Setting,
        columns: Sequence[int],
        plain: Sequence[tuple[int, int]],
        excess: Callable[[int, float], float] = lambda _subject, value: value,
    ) -> None:
        self._plan = setting.plan
        self._column = np.array(columns, np.intp)
        self._low = np.array([low for low, _ in plain], np.int64)
        self._high = np.array([high for _, high in plain], np.int64)
        self._seen = np.zeros(len(self._plan.columns), np.int64)
        self._episodes = Episodes(self._describe, excess)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        prepared = view.prepared
        odd = (prepared.low[self._column] < self._low) | (prepared.high[self._column] > self._high)
        for index in sorted({*odd.nonzero()[0].tolist(), *self._episodes.open_subjects}):
            if len(prepared.samples.values(self._column[index])):
                self._fold_subject(index, view)
        starts = prepared.samples.column_start
        self._seen += starts[1:] - starts[:-1]
        return self._episodes.events()

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._plan.columns[self._column[subject]].slot)

    @abstractmethod
    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        """Return what findings tell of each sample of a subject, which are faulty, and which are good."""

    @abstractmethod
    def _describe(self, episode: Episode) -> Finding:
        """Return the finding of an episode."""

    def _fold_subject(self, index: int, view: View) -> None:
        samples = view.prepared.samples
        values, faulty, good = self._judge(index, samples)
        if index not in self._episodes.open_subjects and not faulty.any():
            return
        column = int(self._column[index])
        positions = samples.positions(column)

        def worst(first: int, last: int) -> float:
            inside = values[first : last + 1][faulty[first : last + 1]]
            return self._episodes.worse(index, inside.min().item(), inside.max().item())

        self._episodes.judge(
            subject=index,
            seen=int(self._seen[column]),
            faulty=faulty,
            good=good,
            clock=view.clock[positions],
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[positions[first]]),
        )


def there(samples: Samples, columns: Sequence[int]) -> NDArray[np.bool_]:
    """Return bool[n]: which samples of columns of the same frames have a payload that holds them all."""
    held = np.ones(len(samples.values(columns[0])), np.bool_)
    if samples.valid is not None:
        for column in columns:
            held &= samples.valid[samples.column_start[column] : samples.column_start[column + 1]]
    return held
