"""Values outside a limit that changes with the vehicle's speed: at speed, less steering is allowed.

The limit holds in both directions. Between two points it is a straight line, beyond them that of the last one.
Where the speed is not known, nothing is judged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number, times
from canmap.checks.record_values import RecordValueCheck, judged_fields
from canmap.findings.finding import Finding, Kind, Severity
from canmap.records.standing import StandingRecord

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View

RANGE_BY_SPEED = Kind("range_by_speed", Severity.ERROR)


class SpeedRangeCheck(RecordValueCheck):
    """Judges every field that has a limit by speed.

    An episode's value is by how much a value was beyond its limit: what the limit was changes with the speed.
    """

    kinds = (RANGE_BY_SPEED,)
    judges = ("range_by_speed",)

    def __init__(self, setting: Setting) -> None:
        super().__init__(judged_fields(setting, lambda rule: rule.range_by_speed is not None))
        rules = {rule.name: rule for rule in setting.spec.records}
        ranges = [field.rule.range_by_speed for field in self._fields if field.rule.range_by_speed]
        self._speed = [by_speed.speed for by_speed in ranges]
        self._points = [np.array(sorted(by_speed.points), np.float64).T for by_speed in ranges]
        self._standing = {name: StandingRecord(setting.spec, rules[name]) for name, _ in self._speed}

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the records of one chunk."""
        for name, standing in self._standing.items():
            standing.begin(view.records.get(name))
        return super().fold(view, part)

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        column = chunk.columns[self._fields[subject].rule.type.name]
        record, field = self._speed[subject]
        drive = self._standing[record].at_frames(chunk.frame, chunk.clock_ns)
        if drive is None:
            nothing = np.zeros(len(chunk), np.bool_)
            return np.zeros(len(chunk)), nothing, nothing
        speed = drive.columns[field]
        limit = np.interp(np.abs(speed.values), *self._points[subject])
        beyond = np.abs(column.values) - limit
        judged = column.valid & speed.valid
        return beyond, judged & (beyond > 0), judged & ~(beyond > 0)

    def _describe(self, episode: Episode) -> Finding:
        said = self._fields[episode.subject].said
        beyond = f"{number(episode.worst / said.factor)} {said.unit}".rstrip()
        often = f" {times(episode.count, 'time')}" if episode.count > 1 else ""
        if episode.more:
            often = f" in {times(episode.more, 'more stretch')} that are not listed"
        found = episode.finding(
            RANGE_BY_SPEED,
            self._fields[episode.subject].place,
            value=episode.worst,
            limit=0.0,
            text=f"{said.name} was up to {beyond} beyond its limit for the speed{often}.",
        )
        return replace(found, facts={"beyond": episode.worst / said.factor, "unit": said.unit})
