"""Two values that tell the same and do not: the sensors of a redundant pair, or two fields of records.

The first says what it says; from the slope of the pair follows what the second says of the same, and how far
apart both are is compared with the tolerance. Judged is every sample of the first against the newest of the
second, as long as that is not stale; where the pair has a `lag`, against the second at its own time.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import seconds, times
from canmap.checks.common.at_one_time import NONE_TIMED, AtOneTime, ComparedValues, TimedValues
from canmap.checks.common.hints import with_hint
from canmap.checks.common.lasting import Judged, Lasting, LastingCheck
from canmap.checks.common.other_scale import OtherScale
from canmap.checks.common.pages import paged
from canmap.checks.common.record_values import has_field, judged_field, stale_after_ns
from canmap.checks.common.samples import there
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.mapping.manual import Slope
from canmap.mapping.model import Trigger
from canmap.mapping.refs import MessageRef
from canmap.records.standing import StandingRecord
from canmap.signals.extract import no_data
from canmap.signals.ranges import ROUNDING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.description.description import NoData
    from canmap.mapping.manual import RedundantPair
    from canmap.mapping.refs import SignalRef
    from canmap.signals.extract import Samples
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

DISAGREE = Kind("disagree", Severity.ERROR)
_SLOPES = {
    Slope.SAME: "",
    Slope.HALF: " (of half its slope)",
    Slope.INVERSE: " (of inverse slope)",
    Slope.INVERSE_HALF: " (of half its slope, inverse)",
}


class DisagreeCheck(LastingCheck):
    """Judges every redundant pair.

    The value of a finding is how far both were apart, its limit how far they may be, as the first has it.
    """

    kinds = (DISAGREE,)

    def __init__(self, setting: Setting) -> None:
        self._pairs: list[RedundantPair] = []
        self._both: list[_Signals | _Fields] = []
        self._standing: dict[str, StandingRecord] = {}
        for pair in setting.spec.manual.redundant:
            both = _Signals(pair, setting) if pair.signals else self._fields(pair, setting)
            if both is not None:
                self._pairs.append(pair)
                self._both.append(both)
        gaps = [both.gap_ns for both in self._both]
        self._shifted = [
            None if pair.lag_ns is None else AtOneTime(pair.lag_ns, both.holds_ns, cyclic=both.cyclic)
            for pair, both in zip(self._pairs, self._both, strict=True)
        ]
        self._lasting = [
            Lasting(pair.within_ns or 0, gap) for pair, gap in zip(self._pairs, gaps, strict=True)
        ]
        self._scales = [OtherScale(both.unit[1]) for both in self._both]
        super().__init__([both.stream for both in self._both])

    def _fields(self, pair: RedundantPair, setting: Setting) -> _Fields | None:
        """Two fields of records; None where one of them cannot be made yet."""
        records = {rule.name: rule for rule in setting.spec.records}
        if not all(has_field(records[record], field) for record, field in pair.fields):
            return None
        name = pair.fields[1][0]
        standing = self._standing.setdefault(name, StandingRecord(setting.spec, records[name]))
        return _Fields(pair, setting, standing)

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        for name, standing in self._standing.items():
            standing.begin(view.records.get(name))
        return super().fold(view, part)

    def _judge(self, subject: int, view: View) -> Judged | None:
        pair, both, shifted = self._pairs[subject], self._both[subject], self._shifted[subject]
        told = both.take(view) if shifted is None else shifted.take(*both.timed(view), view.session.now_ns)
        if told is None:
            return None
        same, slack = _said_by_second(pair, told)
        apart, allowed = np.abs(told.first - same), float(pair.tolerance) + slack
        held = apart > allowed
        self._scales[subject].take(told.first, (same, same), held, allowed)
        line = told.line
        return self._lasting[subject].judged(told.clock, apart, held, lambda place: int(line[place]))

    def findings(self) -> list[Finding]:
        """Return all findings so far; the first of a pair says if one of both looks wrongly scaled."""
        found = super().findings()
        for both, scale in zip(self._both, self._scales, strict=True):
            if (hint := scale.hint(both.names[1])) is not None:
                found = with_hint(found, both.place, *hint)
        return found

    def _describe(self, episode: Episode) -> Finding:
        pair, both = self._pairs[episode.subject], self._both[episode.subject]
        factor, unit = both.unit
        apart, allowed = episode.worst / factor, float(pair.tolerance) / factor
        when = f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        when = ", from the start" if episode.from_start and episode.still else when
        within = f", and more for up to {seconds(pair.within_ns)}" if pair.within_ns else ""
        first, second = both.names

        def text(figures: Figures) -> str:
            return (
                f"{first} and{_lag(pair.lag_ns)} {second}{_SLOPES[pair.slope]} disagreed by up to "
                f"{figures.difference(apart, unit)}{when}; "
                f"{figures.difference(allowed, unit)} is allowed{within}."
            )

        found = episode.finding(DISAGREE, both.place, text, value=episode.worst, limit=float(pair.tolerance))
        facts: dict[str, str | float] = {"pair": pair.name, "apart": apart, "allowed": allowed, "unit": unit}
        if pair.within_ns:
            facts["within_s"] = pair.within_ns / 1e9
        if pair.lag_ns is not None:
            facts["lag_s"] = pair.lag_ns / 1e9
        return replace(found, facts=paged(facts, pair.page))


def _lag(lag_ns: int | None) -> str:
    if not lag_ns:
        return ""
    return f", {seconds(abs(lag_ns))} {'later' if lag_ns > 0 else 'earlier'},"


def _said_by_second(
    pair: RedundantPair, told: ComparedValues
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the first should be by the second, and how much of both may be rounding; float64[n] each."""
    first, second = told.first, told.second
    total, offset = float(pair.sum or 0), float(pair.offset)
    same = total - second if pair.slope in {Slope.INVERSE, Slope.INVERSE_HALF} else second - offset
    if pair.slope in {Slope.HALF, Slope.INVERSE_HALF}:
        same = same * 2.0
    slack = (np.abs(first) + 2.0 * (told.size + abs(total) + abs(offset))) * ROUNDING
    return same, slack


@dataclass(slots=True)
class _Newest:
    """The newest sample of the second, from chunk to chunk; `known` where it is a value."""

    clock_ns: int = 0
    value: float = 0.0
    known: bool = False


class _Signals:
    """Two signals, in the unit of their description.

    Attributes:
        names: What sentences call them.
        place: What findings are about.
        unit: What a value is to be divided by for the unit, and the unit.
        stream: Stream of the first one's message.
        gap_ns: Silence of it that ends what lasted, None for none.
        holds_ns: Silence of the second one's message after which that says nothing any more, None for never.
        cyclic: Whether the second is sent again and again, however it moves.
    """

    def __init__(self, pair: RedundantPair, setting: Setting) -> None:
        first, second = pair.signals
        self._plan = setting.plan
        self._columns = [self._plan.column_of[ref.bus, ref.message, ref.signal] for ref in pair.signals]
        self._no_data = [_codes(ref, setting) for ref in pair.signals]
        self.holds_ns = stale_after_ns(setting, second)
        self.cyclic = _is_cyclic(setting, second)
        self._newest = _Newest()
        self.names = f"{first.message}.{first.signal}", f"{second.message}.{second.signal}"
        self.place = Place(bus=first.bus, message=first.message, signal=first.signal)
        self.unit = 1.0, self._plan.columns[self._columns[0]].signal.unit
        self.stream = self._plan.columns[self._columns[0]].slot
        self.gap_ns = stale_after_ns(setting, first)

    def take(self, view: View) -> ComparedValues | None:
        """Return the samples of a chunk at which both have a value, None for none."""
        samples = view.prepared.samples
        positions, others = (samples.positions(column) for column in self._columns)
        if not len(positions) and not len(others):
            return None
        newest = self._newest
        known = np.append(newest.known, self._known(samples, 1))
        value = np.append(newest.value, samples.physical(self._columns[1]))
        clock = np.append(newest.clock_ns, view.clock[others])
        newest.known, newest.value, newest.clock_ns = bool(known[-1]), float(value[-1]), int(clock[-1])
        at = np.searchsorted(others, positions, side="right")
        both = self._known(samples, 0) & known[at]
        if self.holds_ns is not None:
            both &= view.clock[positions] - clock[at] <= self.holds_ns
        if not both.any():
            return None
        places, second = positions[both], value[at][both]
        first, line = samples.physical(self._columns[0])[both], view.prepared.chunk.line[places]
        return ComparedValues(view.clock[places], line, first, second, np.abs(second))

    def timed(self, view: View) -> tuple[TimedValues, TimedValues]:
        """Return the samples that a chunk has of the first and of the second."""
        return self._timed(view, 0), self._timed(view, 1)

    def _timed(self, view: View, which: int) -> TimedValues:
        samples, column = view.prepared.samples, self._columns[which]
        rows = samples.positions(column)
        value = np.where(self._known(samples, which), samples.physical(column), np.nan)
        line = view.prepared.chunk.line[rows]
        return TimedValues(view.clock[rows], np.zeros(len(rows), np.int64), value, line)

    def _known(self, samples: Samples, which: int) -> NDArray[np.bool_]:
        """Which samples of one of them are values, bool[n]."""
        column = self._columns[which]
        kind = self._plan.columns[column].kind
        held = there(samples, (column,)) & ~no_data(samples.values(column), kind, self._no_data[which])
        return held & np.isfinite(samples.physical(column))


def _is_cyclic(setting: Setting, ref: MessageRef | SignalRef) -> bool:
    rules = {(rule.bus, rule.message.name): rule for rule in setting.spec.messages}
    return rules[ref.bus, ref.message].trigger is Trigger.CYCLIC


def _codes(ref: SignalRef, setting: Setting) -> tuple[NoData, ...]:
    """The raw codes of a signal that are no value: the description's, and those of fields made of it."""
    column = setting.plan.column_of[ref.bus, ref.message, ref.signal]
    rules = [rule for record in setting.spec.records for rule in record.fields]
    codes = [
        code
        for rule in rules
        for source, of_source in zip(rule.sources, rule.no_data, strict=True)
        if source == ref
        for code in of_source
    ]
    return tuple(dict.fromkeys((*setting.plan.columns[column].signal.no_data, *codes)))


class _Fields:
    """Two fields of records, finished; see `_Signals`."""

    def __init__(self, pair: RedundantPair, setting: Setting, standing: StandingRecord) -> None:
        (record, self._field), (self._other_record, self._other) = pair.fields
        records = {rule.name: rule for rule in setting.spec.records}
        rule, other = records[record], records[self._other_record]
        judged = judged_field(setting, rule, self._field)
        self._record, self._standing = record, standing
        self.names = tuple(".".join(field) for field in pair.fields)
        self.place = judged.place if judged else Place(record=record, field=self._field)
        self.unit = (judged.said.factor, judged.said.unit) if judged else (1.0, "")
        self.stream = setting.plan.slot_of[rule.bus, rule.stamp]
        self.gap_ns = stale_after_ns(setting, MessageRef(rule.bus, rule.stamp))
        stamp = MessageRef(other.bus, other.stamp)
        self.holds_ns = stale_after_ns(setting, stamp)
        sources = [ref for field in other.fields if field.type.name == self._other for ref in field.sources]
        self.cyclic = _is_cyclic(setting, stamp) and all(_is_cyclic(setting, ref) for ref in sources)

    def take(self, view: View) -> ComparedValues | None:
        """Return the records of a chunk at which both have a value, None for none."""
        chunk = view.records.get(self._record)
        standing = chunk and self._standing.at_frames(chunk.frame, chunk.clock_ns)
        if chunk is None or standing is None:
            return None
        first, second = chunk.columns[self._field], standing.columns[self._other]
        both = first.valid & second.valid
        places = (chunk.frame - view.first_frame)[both]
        told = second.values[both].astype(np.float64)
        line, clock = view.prepared.chunk.line[places], chunk.clock_ns[both]
        return ComparedValues(clock, line, first.values[both].astype(np.float64), told, np.abs(told))

    def timed(self, view: View) -> tuple[TimedValues, TimedValues]:
        """Return the records that a chunk has of the first and of the second."""
        first = _timed(view, self._record, self._field)
        return first, _timed(view, self._other_record, self._other)


def _timed(view: View, record: str, field: str) -> TimedValues:
    chunk = view.records.get(record)
    if chunk is None:
        return NONE_TIMED
    column, line = chunk.columns[field], view.prepared.chunk.line[chunk.frame - view.first_frame]
    value = np.where(column.valid, column.values.astype(np.float64), np.nan)
    return TimedValues(chunk.clock_ns, column.age_ns, value, line)
