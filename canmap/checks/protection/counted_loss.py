"""What rolling counters tell of what lies between frames: frames that were lost, and senders that began anew.

A counter tells lost frames even where recorder and bus are late, and where no period is promised; the time
between the frames tells how many rounds a long silence took.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number, seconds, times
from canmap.checks.protection.counter_values import (
    ROUNDS,
    CounterCheck,
    in_facts,
    in_stretches,
    place_of_counter,
)
from canmap.findings.finding import Severity
from canmap.findings.kinds import LOSS, RESTART
from canmap.findings.restarts import Clue
from canmap.mapping.relay_rules import Guarded
from canmap.signals.sequences import AT_START, IN_SILENCE, Wrong

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.findings.episodes import Episode
    from canmap.findings.finding import Finding
    from canmap.signals.counted import OddCounters
    from canmap.signals.promised import PromisedCounter
    from canmap.stream.view import View

PARTED_BY = 100  # frames: what is lost by chance, one in some, is one loss as long as it goes on


class CountedLoss(CounterCheck):
    """Finds frames that were lost on their way: the counter went on without them."""

    kinds = (LOSS,)
    parted_by = PARTED_BY
    across_holes = False

    def _faulty(self, odd: OddCounters) -> NDArray[np.bool_]:
        return odd.lost > 0

    def _value(self, odd: OddCounters) -> NDArray[np.int64]:
        return odd.lost

    def _tally(self, odd: OddCounters) -> NDArray[np.int64]:
        flags = np.where(odd.wrong == Wrong.NOTHING, odd.detail, 0)
        at_start, silent = flags & AT_START > 0, flags & IN_SILENCE > 0
        return np.stack((odd.lost, odd.lost * silent, at_start), axis=1)

    def _describe(self, episode: Episode) -> Finding:
        one = self._promised(episode)
        lost, silent, at_start = episode.tally
        most, largest = int(episode.worst), one.largest_delta
        whole = lost + episode.last - episode.first + 1
        name = one.name
        if episode.more:
            text = f"{times(lost, 'frame')} of {name} were lost{in_stretches(episode)}, up to {most} in a row"
        elif episode.count == 1:
            were = "was" if lost == 1 else "were"
            text = f"{times(lost, 'frame')} of {name} {were} lost"
        else:
            share = number(float(f"{100 * lost / whole:.2g}"))
            text = f"{lost} of {whole} frames of {name} ({share} %) were lost, up to {most} in a row"
        text += f"; its counter went on{' while it was silent' if silent == lost else ''}"
        severity = LOSS.severity
        if silent == lost and self._silence_is_told(one):
            severity = Severity.NOTE  # the silence is a finding by itself
        elif largest is not None and most >= largest:
            severity = Severity.ERROR
            text += f", by more than the {largest} that are accepted"
        if episode.count >= ROUNDS and at_start == episode.count:
            text += f" each time from its last value to {one.counting.ring.first}: check its `wrap`"
        found = episode.finding(
            LOSS,
            place_of_counter(one),
            f"{text}.",
            value=float(most),
            limit=None if largest is None else float(largest - 1),
            severity=severity,
        )
        accepted = {} if largest is None else {"largest_delta": largest}
        facts = in_facts(episode, frames=whole, share=lost / whole, first=one.counting.ring.first, **accepted)
        return replace(found, count=lost, facts=facts)

    @staticmethod
    def _silence_is_told(one: PromisedCounter) -> bool:
        return all(rule.stale_after_ns is not None for rule in one.rules)


class CounterRestart(CounterCheck):
    """Finds counters that began anew after a silence: their sender was restarted."""

    kinds = (RESTART,)
    wrong = Wrong.RESTARTED

    def _fold_counter(self, view: View, number: int, rows: NDArray[np.intp], odd: OddCounters | None) -> None:
        relay = self._counters.promised[number].rules[0].relay_of
        if relay is None or relay.protection is Guarded.OWN:  # else the original's tells of a restart
            super()._fold_counter(view, number, rows, odd)

    def _describe(self, episode: Episode) -> Finding:
        one = self._promised(episode)
        away, first = seconds(int(episode.worst)), one.counting.ring.first
        often = "" if episode.count == 1 else f" {times(episode.count, 'time')}"
        after = f"after {away}" if episode.count == 1 else f"after up to {away}"
        text = (
            f"{one.name} began its counter anew at {first}{often}{in_stretches(episode)}, {after} "
            "of silence: its sender was restarted."
        )
        found = episode.finding(RESTART, place_of_counter(one), text, value=episode.worst / 1e9)
        sender = one.rules[0].sender
        facts: dict[str, str | float] = {"clue": Clue.COUNTER.value, **in_facts(episode, first=first)}
        return replace(found, facts=facts if sender is None else {"node": sender, **facts})
