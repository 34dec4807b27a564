"""Faulty samples to findings that last: opening, merging, closing, capping.

Every check that judges the samples of a subject one by one (the frames of a message, the values of a
signal) hands its faulty runs to an `Episodes`. Two runs that fewer than `GOOD_BETWEEN` good samples part
are one episode; that is judged by the samples' ordinals, so it does not depend on how the stream is cut.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.findings.finding import Finding
from canmap.vocabulary.figures import AS_WRITTEN, IN_SI

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from canmap.findings.finding import Kind, Place, Severity
    from canmap.vocabulary.figures import Sentence

GOOD_BETWEEN = 3
LISTED = 20  # episodes listed for one kind and subject; the rest is one finding that counts them


@dataclass(slots=True)
class Episode:
    """A fault of one subject while it lasts.

    Attributes:
        subject: Index of what it is about, as the check numbers it.
        first: Ordinal of its first faulty sample; ordinals count from anywhere, but on while it is open.
        last: Ordinal of its last faulty sample.
        start_ns: Session clock at which it starts.
        end_ns: Session clock of the first good sample after it, None while that has not come.
        count: Faulty samples.
        worst: The value furthest beyond its limit.
        line: Line of the capture of the first faulty sample, 0 for none.
        still: It had not ended when the stream did.
        from_start: No sample of the subject came before it.
        more: Episodes counted in this one because the list was full, 0 for an ordinary one.
        known_ns: Session clock from which on it was known to be one, None for its start.
        begins_with: The value of its first faulty sample, None where that is `worst`.
        tally: What else is counted in it, in the order of its check.
        begins_tally: That of its first faulty sample.
    """

    subject: int
    first: int
    last: int
    start_ns: int
    end_ns: int | None
    count: int
    worst: float
    line: int = 0
    still: bool = False
    from_start: bool = False
    more: int = 0
    known_ns: int | None = None
    begins_with: float | None = None
    tally: tuple[int, ...] = ()
    begins_tally: tuple[int, ...] = ()

    @property
    def begun(self) -> Episode:
        """What of it is known when it begins: its first faulty sample, however many more have been read."""
        value = self.worst if self.begins_with is None else self.begins_with
        return replace(self, last=self.first, end_ns=None, count=1, worst=value, tally=self.begins_tally)

    def begin_at(self, start_ns: int, first_ns: int | None) -> None:
        """Begin earlier than at the first faulty sample, by which it is known; `first_ns`: of all samples."""
        self.known_ns, self.start_ns = self.start_ns, start_ns
        self.from_start = start_ns == first_ns

    def take_counts(self, later: Episode) -> None:
        """Add what a later part of it, or of what it stands for, counts."""
        self.count += later.count
        self.tally = tuple(a + b for a, b in zip(self.tally, later.tally, strict=True))

    def finding(
        self,
        kind: Kind,
        place: Place,
        text: str | Sentence,
        *,
        value: float | None = None,
        limit: float | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Return it as a finding, of its kind's severity where none is given.

        A sentence with quantities is said twice, as they are written and in SI.
        """
        written, in_si = (text, "") if isinstance(text, str) else (text(AS_WRITTEN), text(IN_SI))
        return Finding(
            kind=kind,
            severity=kind.severity if severity is None else severity,
            place=place,
            start_ns=self.start_ns,
            end_ns=self.start_ns if self.end_ns is None else self.end_ns,
            open=self.still,
            count=self.count,
            value=value,
            limit=limit,
            text=written,
            si_text="" if in_si == written else in_si,
            line=self.line or None,
        )


@dataclass(frozen=True, slots=True)
class Opened:
    """A finding that began; its text tells what is known by now, which is not yet its end.

    Attributes:
        finding: The finding.
        known_ns: Session clock from which on that was known, however the stream is cut.
    """

    finding: Finding
    known_ns: int


@dataclass(frozen=True, slots=True)
class Closed:
    """A finding that had begun and is over, or still going on at the end.

    Attributes:
        finding: The finding.
        known_ns: As of `Opened`; None: at the end of the stream.
    """

    finding: Finding
    known_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """A finding that is reported once, as a whole.

    Attributes:
        finding: The finding.
        known_ns: As of `Closed`.
    """

    finding: Finding
    known_ns: int | None = None


Event = Opened | Closed | Told


class Episodes:
    """The episodes of one kind of finding.

    Args:
        describe: Makes the finding of an episode.
        excess: Returns how bad a value of a subject is; by default the value itself.
        parted_by: Good samples that end an episode.
    """

    def __init__(
        self,
        describe: Callable[[Episode], Finding],
        excess: Callable[[int, float], float] = lambda _subject, value: value,
        parted_by: int = GOOD_BETWEEN,
    ) -> None:
        self._parted_by = parted_by
        self._describe = describe
        self._excess = excess
        self._open: dict[int, Episode] = {}
        self._closed: dict[int, list[Episode]] = {}
        self._overflow: dict[int, Episode] = {}
        self._events: list[Event] = []
        self._announced: set[int] = set()
        self._judged: dict[int, int] = {}  # samples counted so far, for open subjects

    def worse(self, subject: int, a: float, b: float) -> float:
        """Return the worse of two values; of two equally bad ones the smaller, in whatever order."""
        return min(a, b, key=lambda value: (-self._excess(subject, value), value))

    @property
    def open_subjects(self) -> list[int]:
        """Subjects with an episode that may still grow."""
        return list(self._open)

    def open_one(self, subject: int) -> Episode:
        """Return the open episode of a subject, whose end may still be moved."""
        return self._open[subject]

    def announce(self, episode: Episode) -> None:
        """Tell that an episode has begun whose first sample is still to come; it is added when that comes."""
        if episode.subject in self._announced:
            return
        self._announced.add(episode.subject)
        if not self._continues(episode):
            self._open_event(episode)

    def add(self, episode: Episode, clock_of: Callable[[int], int] | None = None) -> None:
        """Add a faulty run; runs of one subject come in their order.

        `clock_of` is that of `settle`; at the end of the stream there is none.
        """
        current = self._open.get(episode.subject)
        if current is not None and self._continues(episode):
            current.last, current.end_ns = episode.last, episode.end_ns
            current.take_counts(episode)
            current.worst = self.worse(episode.subject, current.worst, episode.worst)
            current.still = episode.still
        else:
            if current is not None:
                self._close(current, clock_of)
            self._open[episode.subject] = episode
            if episode.subject not in self._announced:
                self._open_event(episode)
        self._announced.discard(episode.subject)

    def judge(  # noqa: PLR0913  # what one stretch of samples is, all of it needed
        self,
        *,
        subject: int,
        seen: int,
        faulty: NDArray[np.bool_],
        good: NDArray[np.bool_],
        clock: NDArray[np.int64],
        worst: Callable[[int, int], float],
        line: Callable[[int], int],
        tally: Callable[[int, int], tuple[int, ...]] = lambda _first, _last: (),
        since: NDArray[np.int64] | None = None,
        first_ns: int | None = None,
    ) -> None:
        """Add the faulty runs of the next samples of a subject, and settle it.

        Samples that are neither wrong nor right do not count.

        Args:
            subject: The subject.
            seen: Its samples before these, of whatever kind.
            faulty: bool[n], samples that are wrong.
            good: bool[n], samples that are right.
            clock: int64[n], session clock of each.
            worst: Returns the worst value from one sample to another, both included.
            line: Returns the line of the capture of a sample.
            tally: Returns what else is counted from one sample to another, both included.
            since: int64[n], session clock from which on each fault has lasted; None: from its sample on.
            first_ns: With `since`, session clock of the first sample of all.
        """
        judged = np.flatnonzero(faulty | good)
        wrong = faulty[judged]
        right = np.flatnonzero(~wrong)
        before = self._judged.pop(subject, 0) if subject in self._open else 0

        def clock_of(ordinal: int) -> int:
            return int(clock[judged[ordinal - before]])

        if subject in self._open:
            first_wrong = int(wrong.argmax()) if wrong.any() else len(wrong)
            good_ns = int(clock[judged[0]]) if first_wrong else None
            self.settle(subject, good_ns, before + first_wrong, clock_of)
        for first, last, count in faulty_runs(wrong, self._parted_by):
            after = int(np.searchsorted(right, last))
            begin, end = int(judged[first]), int(judged[last])
            episode = Episode(
                *(subject, before + first, before + last, int(clock[begin])),
                end_ns=int(clock[judged[right[after]]]) if after < len(right) else None,
                count=count,
                worst=worst(begin, end),
                line=line(begin),
                from_start=seen + begin == 0,
                begins_with=worst(begin, begin),
                tally=tally(begin, end),
                begins_tally=tally(begin, begin),
            )
            if since is not None:
                episode.begin_at(int(since[begin]), first_ns)
            self.add(episode, clock_of)
        self._go_on(subject, before + len(judged), clock_of)

    def _go_on(self, subject: int, ordinals: int, clock_of: Callable[[int], int]) -> None:
        if subject in self._open:
            self.settle(subject, None, ordinals, clock_of)
        if subject in self._open:
            self._judged[subject] = ordinals

    def settle(
        self, subject: int, good_ns: int | None, ordinals: int, clock_of: Callable[[int], int]
    ) -> None:
        """Tell an open subject that `ordinals` samples have come in all.

        Args:
            subject: The subject.
            good_ns: Session clock of the first sample after its last faulty one, None if none came since.
            ordinals: Samples so far.
            clock_of: Returns the session clock of a sample that has come since it was called last.
        """
        episode = self._open[subject]
        if episode.end_ns is None:
            episode.end_ns = good_ns
        if ordinals - episode.last - 1 >= self._parted_by:
            self._close(self._open.pop(subject), clock_of)

    def mark_still(self, subject: int, end_ns: int) -> None:
        """Tell an open subject that its fault was still going on when the stream ended at `end_ns`."""
        self._open[subject].still = True
        self._open[subject].end_ns = end_ns

    def finish(self, until_ns: Callable[[int], int]) -> None:
        """Close what is open, and tell what was too much to list.

        Where no good sample has come since the last faulty one, the fault goes on to the end.

        Args:
            until_ns: Returns the session clock up to which a subject was listened to.
        """
        for subject in list(self._open):
            if self._open[subject].end_ns is None:
                self.mark_still(subject, until_ns(subject))
            self._close(self._open.pop(subject))
        self._events += [Told(self._describe(rest)) for rest in self._overflow.values()]

    def events(self) -> list[Event]:
        """Return what opened and closed since the last call."""
        events, self._events = self._events, []
        return events

    def findings(self) -> Iterator[Finding]:
        """Yield the findings so far, the open ones included."""
        for episodes in (*self._closed.values(), self._open.values(), self._overflow.values()):
            for episode in episodes:
                yield self._describe(episode)

    def _continues(self, episode: Episode) -> bool:
        current = self._open.get(episode.subject)
        return current is not None and episode.first - current.last - 1 < self._parted_by

    def _listed(self, subject: int) -> bool:
        return len(self._closed.get(subject, ())) < LISTED

    def _open_event(self, episode: Episode) -> None:
        if self._listed(episode.subject):
            known_ns = episode.start_ns if episode.known_ns is None else episode.known_ns
            self._events.append(Opened(self._describe(episode.begun), known_ns))

    def _close(self, episode: Episode, clock_of: Callable[[int], int] | None = None) -> None:
        listed = self._closed.setdefault(episode.subject, [])
        if len(listed) < LISTED:
            listed.append(episode)
            known_ns = None if clock_of is None else clock_of(episode.last + self._parted_by)
            self._events.append(Closed(self._describe(episode), known_ns))
            return
        rest = self._overflow.get(episode.subject)
        if rest is None:
            self._overflow[episode.subject] = replace(episode, more=1)
            return
        rest.more += 1
        rest.take_counts(episode)
        rest.end_ns, rest.last, rest.still = episode.end_ns, episode.last, episode.still
        rest.worst = self.worse(episode.subject, rest.worst, episode.worst)


def faulty_runs(faulty: NDArray[np.bool_], reach: int = GOOD_BETWEEN) -> list[tuple[int, int, int]]:
    """Return (first, last, count) of every faulty run in bool[n].

    `first` and `last` are indices of faulty samples, `count` is how many are faulty from one to the other.
    Two samples whose indices differ by `reach` or less are in one run.
    """
    places = np.flatnonzero(faulty)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > reach)
    starts = np.concatenate(([0], breaks + 1))
    stops = np.concatenate((breaks, [len(places) - 1]))
    return list(
        zip(places[starts].tolist(), places[stops].tolist(), (stops - starts + 1).tolist(), strict=True)
    )
