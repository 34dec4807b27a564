"""What the times of cyclic messages tell of frames that did not come when due: they were lost, or only late.

A message without a counter has lost frames where its phase steps by a whole number of periods: the frames
behind the gap do not come early to make up for it. Where they do, one right behind the other, they waited in
a queue: a burst. Both are judged at a frame once `BEHIND` frames have come from it on, and told at the end:
only then it is known how the recorder stamps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import first_of, number, seconds, times
from canmap.checks.arrivals.fetches import Fetches
from canmap.checks.arrivals.gap_evidence import CounterOverGaps, GapEvidence
from canmap.checks.arrivals.late_together import told_together
from canmap.checks.arrivals.phase_runs import PARTED_BY, STEP, PhaseRun, Stepped
from canmap.checks.check import Check
from canmap.checks.protection.counter_values import in_facts, in_stretches
from canmap.findings.episodes import Episode, Episodes, Told
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import BURST, LOSS
from canmap.mapping.model import Trigger
from canmap.mapping.notes import Note, NoteReason
from canmap.timing.phase import WINDOW, evened, phases, rhythm
from canmap.timing.recent import APART, BEHIND, KEPT, SILENCE, RecentFrames, newest_of_each
from canmap.timing.timers import Timer, over_gap

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import MessageRule
    from canmap.stream.view import View

LONG = 1.5  # periods: a frame may be missing in a gap that is longer
LATE = 2.5  # periods: two frames or more are missing in it, or come behind it
QUICK = 0.25  # of a period: frames that waited come no further apart on average
BATCHES = 2  # fetches of the recorder in a period, at least, for a phase to tell of losses
STALLED = 3  # usual times between two fetches: a burst is longer than that
USUAL = 0.8  # of the session: a message that bursts again and again for longer comes so
NAMED = 6  # messages that a note names
NEVER_NS = np.iinfo(np.int64).max


class TimedLoss(Check[None]):
    """Finds the frames of cyclic messages that were lost, where no counter tells, and those that only waited.

    Attributes:
        evidence: What timers and counters did over silences.
    """

    kinds = (LOSS, BURST)

    def __init__(self, setting: Setting) -> None:
        self._rules = rules = setting.rules
        self._channel = [setting.spec.buses[rule.bus].channel for rule in rules]
        self._fetches = Fetches(tuple(dict.fromkeys(self._channel)))
        self._period_ns = np.array([_judged_period_ns(rule) for rule in rules], np.int64)
        self._silence_ns = np.array([rule.stale_after_ns or NEVER_NS for rule in rules], np.int64)
        self._long_ns = np.where(self._period_ns > 0, self._period_ns * LONG, NEVER_NS)
        self._recent: dict[int, RecentFrames] = {}
        self._waits: set[int] = set()  # streams with a gap that is to be judged
        self._runs: dict[int, PhaseRun] = {}
        self._undecided: set[int] = set()  # streams of which frames may be lost, or not
        self._session: SessionClock | None = None
        self.evidence = GapEvidence()
        self._counters = CounterOverGaps(setting)
        self._lost = Episodes(self._describe_lost, parted_by=PARTED_BY)
        self._bursts = Episodes(self._describe_burst, parted_by=PARTED_BY)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the gaps before the frames that by now have enough frames behind them."""
        self._fetches.fold(view)
        self._session = view.session
        arrivals = view.arrivals
        unmeasured = arrivals.unmeasured()
        calm = arrivals.longest <= self._long_ns[arrivals.streams]
        if unmeasured is not None:
            calm[arrivals.start.searchsorted(unmeasured, side="right") - 1] = False
        streams, starts, counts = arrivals.streams.tolist(), arrivals.start.tolist(), arrivals.count.tolist()
        is_calm, newest = calm.tolist(), newest_of_each(arrivals)
        for place in self._period_ns[arrivals.streams].nonzero()[0].tolist():
            stream, start, count = streams[place], starts[place], counts[place]
            recent = self._recent.get(stream) or self._recent.setdefault(stream, RecentFrames())
            own = slice(start, start + count)
            if is_calm[place] and stream not in self._waits:
                if count < KEPT:
                    recent.pass_calmly(arrivals.clock[own])
                else:
                    recent.pass_on(newest[place], count)
                continue
            parting = np.where(arrivals.gap[own] > self._silence_ns[stream], SILENCE, 0).astype(np.uint8)
            if unmeasured is not None:
                inside = unmeasured[(unmeasured >= own.start) & (unmeasured < own.stop)]
                parting[inside - start] = APART
            silences = (parting == SILENCE).nonzero()[0]
            for at, count in self._counters.over(view, stream, silences) if len(silences) else ():
                before_ns = int(arrivals.clock[start + at] - arrivals.gap[start + at])
                self.evidence.keep_count(stream, before_ns, count)
            known = len(recent.clock)
            recent.take(arrivals.clock[own], parting)
            self._judge(stream, recent, (known - BEHIND + 1, len(recent.clock) - BEHIND + 1))
            recent.forget()
        for episodes in (self._lost, self._bursts):
            episodes.events()  # whether it is told is known at the end
        return []

    def finish(self, end: End) -> list[Event]:
        """Judge what is left with fewer frames behind it, and tell all that was found."""
        for stream in sorted(self._waits):
            recent = self._recent[stream]
            known = len(recent.clock)
            self._judge(stream, recent, (known - BEHIND + 1, known - WINDOW + 1))
        for stream in list(self._runs):
            self._close(stream)
        return [Told(finding) for finding in self.findings()]

    def findings(self) -> list[Finding]:
        """Return all findings so far; what happened to several messages at once is one."""
        lost = [one for one in self._lost.findings() if self._is_told(one)]
        bursts = [
            one
            for one in self._bursts.findings()
            if (one.value or 0.0) * 1e9 > STALLED * self._apart_ns(one) and not self._is_usual(one)
        ]
        return told_together(bursts) + told_together(lost)

    def notes(self) -> list[Note]:
        """Return a note for the messages of each bus of which no loss can be told, and why."""
        told = {finding.stream for finding in self._lost.findings()}
        why: dict[tuple[str, str], list[str]] = {}
        for stream in sorted(self._recent):
            rule, apart_ns = self._rules[stream], self._fetches.apart_ns(self._channel[stream])
            if rule.counter is not None:
                continue
            if BATCHES * apart_ns > self._period_ns[stream]:
                about = seconds(float(f"{apart_ns:.2g}"))
                detail = f"the recorder fetches frames only about every {about}"
            elif stream in self._undecided - told:
                detail = "they come too irregularly for their times to tell"
            else:
                continue
            why.setdefault((rule.bus, detail), []).append(rule.name)
        return [
            Note(reason=NoteReason.LOSS_NOT_TOLD, bus=bus, subject=first_of(names, NAMED), detail=detail)
            for (bus, detail), names in why.items()
        ]

    def _is_usual(self, burst: Finding) -> bool:
        """Whether a message bursts nearly all the time: it is how it comes."""
        lasted_ns = 0 if self._session is None else self._session.now_ns - (self._session.start_ns or 0)
        return burst.count > 1 and burst.end_ns - burst.start_ns > USUAL * lasted_ns

    def _apart_ns(self, finding: Finding) -> int:
        return self._fetches.apart_ns(self._channel[finding.stream or 0])

    def _is_told(self, finding: Finding) -> bool:
        """Whether the recorder fetches often enough for a loss to be told, and its clock did not step."""
        period_ns = int(self._period_ns[finding.stream or 0])
        if BATCHES * self._apart_ns(finding) > period_ns:
            return False
        reach_ns = WINDOW * period_ns
        start_ns, end_ns = finding.start_ns - reach_ns, finding.end_ns + reach_ns
        if end_ns - start_ns > 4 * reach_ns or self._session is None:
            return True
        steps = self._session.steps
        edges = [(one.start_ns, one.start_ns if one.count == 1 else one.end_ns) for one in steps]
        edges += [(one.end_ns, one.end_ns) for one in steps if one.end_ns is not None]
        return not any(start <= end_ns and (end is None or start_ns <= end) for start, end in edges)

    def _judge(self, stream: int, recent: RecentFrames, span: tuple[int, int]) -> None:
        """Judge the frames of a message from one to before another, by their places in `recent`."""
        clock, parts = recent.clock, recent.parts
        gap_ns = np.diff(clock, prepend=clock[:1])
        first, stop = max(span[0], 0), span[1]
        long = gap_ns > self._long_ns[stream]
        self._waits.discard(stream)
        if stream in self._runs or long[max(stop, 0) :].any():
            self._waits.add(stream)
        if first >= stop or not (long[first:stop].any() or stream in self._runs):
            return
        waited, more = self._waited(stream, clock, np.where(parts == APART, 0, gap_ns))
        self._tell_timers(stream, recent, (first, stop), set(waited.tolist()))
        for late, others in zip(waited.tolist(), more.tolist(), strict=True):
            if first <= late < stop:
                self._add_burst(stream, recent, late, others)
        if self._rules[stream].counter is None:
            even = evened(clock, waited, more)
            self._find_steps(stream, recent, even, (first, stop))

    def _tell_timers(
        self, stream: int, recent: RecentFrames, span: tuple[int, int], waited: set[int]
    ) -> None:
        """Keep what the timer of the sender did in the silences that end with some frames."""
        clock, parted = recent.clock, np.concatenate(([0], np.cumsum(recent.parts > 0)))
        first, stop = max(span[0], WINDOW), span[1]
        for place in (first + (recent.parts[first:stop] == SILENCE).nonzero()[0]).tolist():
            if parted[place + WINDOW] - parted[place - WINDOW + 1] != 1:
                continue
            told = over_gap(clock, place, int(self._period_ns[stream]))
            if place in waited:
                told = replace(told, timer=Timer.QUEUED)
            self.evidence.keep_timer(stream, int(clock[place - 1]), told)

    def _waited(
        self, stream: int, clock: NDArray[np.int64], gap_ns: NDArray[np.int64]
    ) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """The frames at the end of a long gap with all that was due in it right behind them; how many."""
        period_ns = int(self._period_ns[stream])
        at = (gap_ns > LATE * period_ns).nonzero()[0]
        more = np.minimum(np.rint(gap_ns[at] / period_ns).astype(np.int64) - 1, WINDOW - 1)
        at, more = at[at + more < len(clock)], more[at + more < len(clock)]
        took_ns = clock[at + more] - clock[at]
        quick = took_ns <= QUICK * period_ns * more
        return at[quick], more[quick]

    def _find_steps(
        self, stream: int, recent: RecentFrames, clock: NDArray[np.int64], span: tuple[int, int]
    ) -> None:
        """Find at which of some frames the phase steps."""
        period_ns, parted = int(self._period_ns[stream]), np.concatenate(([0], np.cumsum(recent.parts > 0)))
        gap_ns = np.diff(clock, prepend=clock[:1])
        first, stop = max(span[0], WINDOW), span[1]
        at = first + (gap_ns[first:stop] > self._long_ns[stream]).nonzero()[0]
        at = at[parted[at + WINDOW] == parted[at - WINDOW + 1]]
        told = phases(clock, at, period_ns)
        for hit in (told.step >= STEP).nonzero()[0].tolist():
            place = int(at[hit])
            frame = recent.ordinal + place, int(clock[place]), int(gap_ns[place])
            self._add(stream, Stepped.of(frame, told, hit))
            run = self._runs[stream]
            if run.heard is None or run.last.ordinal - run.heard >= BEHIND:
                around = slice(place - WINDOW, place + BEHIND)
                run.hear(*rhythm(clock[around], period_ns))
        going_on = self._runs.get(stream)
        if going_on is not None and recent.ordinal + stop - 1 - going_on.last.ordinal > PARTED_BY:
            self._close(stream)

    def _add(self, stream: int, one: Stepped) -> None:
        run = self._runs.get(stream)
        if run is not None and run.goes_on_with(one):
            run.add(one)
        else:
            self._close(stream)
            self._runs[stream] = PhaseRun(one)

    def _close(self, stream: int) -> None:
        """End the run of a message, if there is one, and keep what it tells."""
        run = self._runs.pop(stream, None)
        lost = None if run is None else run.lost(int(self._period_ns[stream]))
        if run is not None and run.undecided:
            self._undecided.add(stream)
        if lost is not None:
            span = lost.first, lost.last, lost.start_ns, lost.end_ns
            counted = (lost.whole,)
            self._lost.add(Episode(stream, *span, lost.count, lost.most, tally=counted, begins_tally=counted))

    def _add_burst(self, stream: int, recent: RecentFrames, late: int, more: int) -> None:
        first, end_ns, start_ns = recent.ordinal + late, int(recent.clock[late]), int(recent.clock[late - 1])
        counted = (more + 1,)
        self._bursts.add(
            Episode(
                *(
                    stream,
                    first,
                    first + more,
                    start_ns,
                    int(recent.clock[late + more]),
                    1,
                    end_ns - start_ns,
                ),
                tally=counted,
                begins_tally=counted,
            )
        )

    def _describe_lost(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        lost, most, (whole,) = episode.count, int(episode.worst), episode.tally
        if lost == 1:
            text = f"1 frame of {rule.name} was lost"
        elif most == lost:
            text = f"{times(lost, 'frame')} of {rule.name} were lost in a row"
        else:
            share = number(float(f"{100 * lost / whole:.2g}"))
            text = f"{lost} of {whole} frames of {rule.name} ({share} %) were lost{in_stretches(episode)}"
            text += f", up to {most} in a row"
        place = Place(bus=rule.bus, message=rule.message.name)
        text += "; the times of the others tell, as it has no counter."
        found = episode.finding(LOSS, place, text, value=float(most))
        facts = in_facts(episode, frames=whole, share=lost / whole)
        return replace(found, facts={**facts, "told_by": "time"}, stream=episode.subject)

    def _describe_burst(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        frames, gap = episode.tally[0], seconds(episode.worst)
        if episode.count == 1:
            text = f"{times(frames, 'frame')} of {rule.name} came late, after a gap of {gap}, and then "
        else:
            text = f"Frames of {rule.name} came late {times(episode.count, 'time')}{in_stretches(episode)}, "
            text += f"after gaps of up to {gap}, and then "
        place = Place(bus=rule.bus, message=rule.message.name)
        text += "back to back: they had waited, and none was lost."
        found = episode.finding(
            BURST, place, text, value=episode.worst / 1e9, limit=self._period_ns[episode.subject] / 1e9
        )
        return replace(found, facts=in_facts(episode, frames=frames), stream=episode.subject)


def _judged_period_ns(rule: MessageRule) -> int:
    """The promised period of a cyclic message, as a whole; 0 for what is not judged."""
    is_cyclic = rule.trigger is Trigger.CYCLIC and rule.selected is None
    return rule.period_ns or 0 if is_cyclic else 0
