"""Signals that stand at an end of what their bits can hold, as a broken wire or a dead converter leaves them.

Judged are all raw values of a field's signal, whether or not the field itself is valid then; codes for "no
data" are no values.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import seconds, times
from canmap.checks.common.lasting import Judged, Lasting, LastingCheck, lines_at
from canmap.checks.common.pages import paged
from canmap.checks.common.record_values import judged_fields, stale_after_ns
from canmap.checks.common.samples import there
from canmap.findings.finding import Finding, Kind, Severity
from canmap.signals.extract import no_data, patterns
from canmap.signals.limits import raw_span
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from canmap.checks.check import Setting
    from canmap.checks.common.record_values import JudgedField
    from canmap.findings.episodes import Episode
    from canmap.mapping.manual import RailedRule
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

RAILED = Kind("railed", Severity.ERROR)


class RailedCheck(LastingCheck):
    """Judges every field whose signal must not stay at an end.

    The value of a finding is the finished value at that end, its limit how long it may stand there, in s.
    """

    kinds = (RAILED,)

    def __init__(self, setting: Setting) -> None:
        self._plan = setting.plan
        found = [(one, rule) for one in judged_fields(setting) if (rule := one.rule.railed) is not None]
        self._fields = [field for field, _ in found]
        self._rules = [rule for _, rule in found]
        self._quantities = [Quantity.of_rule(field.rule, setting.plan) for field in self._fields]
        self._columns = [quantity.columns[0] for quantity in self._quantities]
        self._ends = [self._ends_of(*one) for one in found]
        self._patterns = [patterns(ends) for ends in self._ends]
        self._lasting = [
            Lasting(rule.longer_than_ns, stale_after_ns(setting, field.rule.sources[0]))
            for field, rule in found
        ]
        super().__init__([setting.plan.columns[column].slot for column in self._columns])

    def _ends_of(self, field: JudgedField, rule: RailedRule) -> tuple[int, ...]:
        source = field.rule.sources[0]
        signal = self._plan.columns[self._plan.column_of[source.bus, source.message, source.signal]].signal
        low, high = raw_span(signal.bits, signal.signed)
        return {"low": (low,), "high": (high,)}.get(rule.at, (low, high))

    def _judge(self, subject: int, view: View) -> Judged | None:
        samples, column = view.prepared.samples, self._columns[subject]
        raw = samples.values(column)
        if not len(raw):
            return None
        codes = self._fields[subject].rule.no_data[0]
        held = there(samples, (column,)) & ~no_data(raw, self._plan.columns[column].kind, codes)
        rows = held.nonzero()[0]
        values, _ = self._quantities[subject].values([raw[rows]])
        at_end = np.isin(raw[rows], self._patterns[subject])
        positions = samples.positions(column)[rows]
        line = lines_at(view, positions)
        return self._lasting[subject].judged(view.clock[positions], values, at_end, line)

    def _describe(self, episode: Episode) -> Finding:
        field, rule = self._fields[episode.subject], self._rules[episode.subject]
        ref, said = field.rule.sources[0], field.said
        ends = self._ends[episode.subject]
        finished = [float(self._quantities[episode.subject].exact([int(end)])) for end in patterns(ends)]
        raw = ends[int(np.abs(np.array(finished) - episode.worst).argmin())]
        side = "smallest" if raw == ends[0] and rule.at != "high" else "largest"
        shown = said.value(episode.worst)
        limit_s = rule.longer_than_ns / 1e9
        when = f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        when = ", from the start" if episode.from_start and episode.still else when

        def text(figures: Figures) -> str:
            return (
                f"{ref.message}.{ref.signal} stood at {raw}, the {side} raw value that it can hold "
                f"({said.name} {said.text(episode.worst, figures)}), "
                f"for longer than {seconds(rule.longer_than_ns)}{when}."
            )

        found = episode.finding(RAILED, field.place, text, value=episode.worst, limit=limit_s)
        facts: dict[str, str | float] = {
            "raw": raw,
            said.name: shown,
            "unit": said.unit,
            "longer_than_s": limit_s,
        }
        return replace(found, facts=paged(facts, rule.page))
