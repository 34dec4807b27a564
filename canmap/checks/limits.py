"""Values outside the limits of the spec or of the description.

Limits are turned into raw counts once, with fractions, and compared as integers: a value of 0.7 at factor 0.1
is then exactly on a limit of 0.7. The smallest and largest raw value of a column in a chunk tell whether it
needs a closer look; only then are its samples gone through. Floats, tables and 64-bit unsigned integers
have no counts that fit and are compared as numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.episodes import Episodes
from canmap.checks.finding import Finding, Kind
from canmap.checks.subjects import subjects
from canmap.checks.words import number, times

if TYPE_CHECKING:
    from canmap.arrivals import Timeline
    from canmap.checks.episodes import Episode, Event
    from canmap.checks.view import View
    from canmap.signals.plan import DecodePlan
    from canmap.spec.model import RecordRule


class LimitCheck:
    """Judges every sample that has limits.

    Args:
        plan: The decode plan.
        records: Their fields' ranges go before the description's.
    """

    def __init__(self, plan: DecodePlan, records: tuple[RecordRule, ...]) -> None:
        self._plan = plan
        self._subjects = tuple(subjects(plan, records))
        simple = [i for i, subject in enumerate(self._subjects) if subject.simple]
        self._simple = np.array(simple, np.intp)
        self._column = np.array([self._subjects[i].columns[0] for i in simple], np.intp)
        self._low = np.array([self._subjects[i].low for i in simple], np.int64)
        self._high = np.array([self._subjects[i].high for i in simple], np.int64)
        self._closely = [i for i, subject in enumerate(self._subjects) if not subject.simple]
        self._samples_seen = np.zeros(len(plan.columns), np.int64)
        self._episodes = Episodes(self._describe, self._excess)
        self._timeline: Timeline | None = None

    def fold(self, view: View) -> list[Event]:
        """Judge the samples of one chunk."""
        prepared = view.prepared
        self._timeline = view.timeline
        outside = (prepared.low[self._column] < self._low) | (prepared.high[self._column] > self._high)
        look = {*self._simple[outside].tolist(), *self._closely, *self._episodes.open_subjects}
        for subject in sorted(look):
            self._fold_subject(subject, view)
        self._samples_seen += np.diff(prepared.samples.column_start)
        return self._episodes.events()

    def finish(self) -> list[Event]:
        """Close what is open; what has not come back to its range is still going."""
        timeline = self._timeline
        for subject in self._episodes.open_subjects:
            if timeline is not None and self._episodes.is_faulty(subject):
                slot = self._plan.columns[self._subjects[subject].columns[0]].slot
                self._episodes.mark_still(subject, int(timeline.until_ns[slot]))
        self._episodes.finish()
        return self._episodes.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _fold_subject(self, index: int, view: View) -> None:
        subject = self._subjects[index]
        samples = view.prepared.samples
        column = subject.columns[0]
        seen = int(self._samples_seen[column])
        values, judged = subject.compared(samples)
        if not len(values):
            return
        faulty = ((values < subject.low) | (values > subject.high)) & judged
        positions = samples.positions(column)

        def worst(first: int, last: int) -> float:
            inside = values[first : last + 1][faulty[first : last + 1]]
            return self._episodes.worse(index, inside.min().item(), inside.max().item())

        self._episodes.judge(
            subject=index,
            seen=seen,
            faulty=faulty,
            good=judged & ~faulty,
            clock=view.clock[positions],
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[positions[first]]),
        )

    def _excess(self, index: int, value: float) -> float:
        subject = self._subjects[index]
        return max(subject.low - value, value - subject.high)

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        value = subject.finished(episode.worst)
        low, high = subject.stated
        limit = low if low - value > value - high else high
        factor, offset = subject.to_unit
        shown, bound = ((finished - offset) / factor for finished in (value, limit))
        side = "below" if shown < bound else "above"
        unit = f" {subject.unit}" if subject.unit else ""
        when = ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        elif episode.from_start and episode.still:
            when = " from the start"
        limit_text = f"{number(bound)}{unit}{when}"
        return episode.finding(
            Kind.OUT_OF_RANGE,
            subject.place,
            value=value,
            limit=limit,
            text=f"{subject.name} was {number(shown)}{unit}, {side} its limit of {limit_text}.",
        )
