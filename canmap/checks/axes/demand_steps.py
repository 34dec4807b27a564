"""Demands that go further at once, or change faster, than the kit takes, while the axis acts."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import times
from canmap.checks.axes.feeding import Demand, needs_of
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.needs import Needs
from canmap.checks.common.pages import on_page, paged
from canmap.checks.values.slew import SLEW
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Place
from canmap.timing.newest import Newest

if TYPE_CHECKING:
    from canmap.checks.axes.feeding import DemandFrames
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures


class DemandSteps(EpisodeCheck[None]):
    """Judges every signal of a demand whose largest step or fastest change the spec tells."""

    kinds = (SLEW,)

    def __init__(self, setting: Setting) -> None:
        self._plan = setting.plan
        self._rules = [rule for rule in setting.spec.manual.demands if rule.limits]
        needs = Needs((need for rule in self._rules for need in needs_of(rule, setting)), setting)
        self._demands = [Demand(rule, setting, needs, i) for i, rule in enumerate(self._rules)]
        self._channels = [setting.spec.buses[rule.message.bus].channel for rule in self._rules]
        self._subjects = [
            (i, limit) for i, rule in enumerate(self._rules) for limit in range(len(rule.limits))
        ]
        self._newest = Newest(needs.columns, len(setting.plan.columns))
        self._seen = [0] * len(self._rules)
        self._episodes = Episodes(self._describe, lambda _subject, value: abs(value))

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the demands of one chunk."""
        if not self._demands:
            return []
        self._newest.begin(view.prepared, view.clock)
        frames = []
        for demand, channel in zip(self._demands, self._channels, strict=True):
            if any(hole.channel == channel for hole in view.holes):
                demand.steps.forget()
            frames.append(demand.take(view, self._newest))
        self._newest.carry()
        for subject, (i, limit) in enumerate(self._subjects):
            self._judge(subject, view, frames[i], limit)
        for i, one in enumerate(frames):
            self._seen[i] += len(one.believed)
        return self._episodes.events()

    def _judge(self, subject: int, view: View, frames: DemandFrames, limit: int) -> None:
        steps = frames.steps[limit]
        faulty = steps != 0
        if subject not in self._episodes.open_subjects and not faulty.any():
            return

        def worst(first: int, last: int) -> float:
            inside = steps[first : last + 1]
            return self._episodes.worse(subject, inside.min().item(), inside.max().item())

        self._episodes.judge(
            subject=subject,
            seen=self._seen[self._subjects[subject][0]],
            faulty=faulty,
            good=~faulty,
            clock=view.clock[frames.believed],
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[frames.believed[first]]),
        )

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._demands[self._subjects[subject][0]].slot)

    def _describe(self, episode: Episode) -> Finding:
        i, which = self._subjects[episode.subject]
        rule = self._rules[i]
        of_signal = rule.limits[which]
        ref, limit = of_signal.signal, float(of_signal.limit)
        unit = self._plan.columns[self._plan.column_of[ref.bus, ref.message, ref.signal]].signal.unit
        refused = "refuses" if self._demands[i].steps.refuses[which] else "limits"
        what = "change" if of_signal.is_rate else "step"
        more = f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""

        def text(figures: Figures) -> str:
            say = figures.rate if of_signal.is_rate else figures.difference
            asked = f"asked for a {what} of {say(abs(episode.worst), unit)}{more}"
            takes = f"the kit {refused} one of more than {say(limit, unit)} while the axis acts"
            return f"{on_page(f'{ref.message}.{ref.signal} {asked}; {takes}', rule.page)}."

        place = Place(bus=ref.bus, message=ref.message, signal=ref.signal)
        found = episode.finding(SLEW, place, text, value=episode.worst, limit=limit)
        unit = f"{unit or '1'}/s" if of_signal.is_rate else unit
        return replace(found, facts=paged({"unit": unit} if unit else {}, rule.page))
