"""Values outside a limit that changes with the vehicle's speed: at speed, less steering is allowed.

The limit holds in both directions, of the value as of the speed. Between two points it is a straight line,
beyond them that of the last one. Where the speed is not known, nothing is judged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.common.pages import paged
from canmap.checks.common.record_values import RecordValueCheck, has_field, judged_fields, often
from canmap.findings.finding import Finding, Kind, Severity
from canmap.records.standing import StandingRecord
from canmap.signals.ranges import ROUNDING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

RANGE_BY_SPEED = Kind("range_by_speed", Severity.ERROR)


class SpeedRangeCheck(RecordValueCheck):
    """Judges every field that has a limit by speed.

    An episode's value is by how much a value was beyond its limit: what the limit was changes with the speed.
    """

    kinds = (RANGE_BY_SPEED,)

    def __init__(self, setting: Setting) -> None:
        records = {rule.name: rule for rule in setting.spec.records}
        found = [
            (field, by_speed)
            for field in judged_fields(setting)
            if (by_speed := field.rule.range_by_speed)
            and has_field(records[by_speed.speed[0]], by_speed.speed[1])
        ]
        super().__init__([field for field, _ in found])
        self._ranges = [by_speed for _, by_speed in found]
        self._points = [np.array(sorted(by_speed.points), np.float64).T for by_speed in self._ranges]
        names = {by_speed.speed[0] for by_speed in self._ranges}
        self._standing = {name: StandingRecord(setting.spec, records[name]) for name in sorted(names)}

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the records of one chunk."""
        for name, standing in self._standing.items():
            standing.begin(view.records.get(name))
        return super().fold(view, part)

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        column = chunk.columns[self._fields[subject].rule.type.name]
        record, field = self._ranges[subject].speed
        drive = self._standing[record].at_frames(chunk.frame, chunk.clock_ns)
        if drive is None:
            nothing = np.zeros(len(chunk), np.bool_)
            return np.zeros(len(chunk)), nothing, nothing
        speed = drive.columns[field]
        limit = np.interp(np.abs(speed.values), *self._points[subject])
        beyond = np.abs(column.values) - limit
        judged = column.valid & speed.valid
        outside = beyond > limit * ROUNDING
        return beyond, judged & outside, judged & ~outside

    def _describe(self, episode: Episode) -> Finding:
        said = self._fields[episode.subject].said
        beyond = episode.worst / said.factor

        def text(figures: Figures) -> str:
            how_far = figures.difference(beyond, said.unit)
            return f"{said.name} was up to {how_far} beyond its limit for the speed{often(episode)}."

        place = self._fields[episode.subject].place
        found = episode.finding(RANGE_BY_SPEED, place, text, value=episode.worst, limit=0.0)
        facts: dict[str, str | float] = {"beyond": beyond, "unit": said.unit}
        return replace(found, facts=paged(facts, self._ranges[episode.subject].page))
