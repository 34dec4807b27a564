"""The pose of a Motion record without jumps, as the pose in an odometry's frame has to be (REP-105).

A Motion record begins a new segment at the origin once an input was lost. For whoever follows an odometry
that would be a leap back over all that was driven. So here a segment goes on where the one before ended; what
was driven in between is missing, and is part of its drift.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.records.columns import RecordChunk

    Numbers = NDArray[np.float64]

ORIGIN = (0.0, 0.0, 0.0)  # x, y in m, heading in rad


class ContinuousPose:
    """Joins the segments of a Motion record, from step to step."""

    def __init__(self) -> None:
        self._segment = 0
        self._begin = ORIGIN  # where this segment begins, counted from the first one
        self._newest = ORIGIN  # the pose of the newest record that has one, counted in the same way

    def of(self, chunk: RecordChunk) -> RecordChunk:
        """Return the next records with x, y and heading counted from the start of the first segment."""
        columns = chunk.columns
        x, y, heading = (columns[name].values.astype(np.float64) for name in ("x", "y", "heading"))
        known = columns["x"].valid & columns["y"].valid & columns["heading"].valid
        segment = columns["segment"].values  # ascending
        for number in np.unique(segment[known]).tolist():
            rows = slice(*np.searchsorted(segment, (number, number + 1)).tolist())
            if number != self._segment:
                self._segment, self._begin = number, self._newest
            if self._begin != ORIGIN:
                x[rows], y[rows], heading[rows] = self._placed(x[rows], y[rows], heading[rows])
            last = rows.start + int(np.flatnonzero(known[rows])[-1])
            self._newest = (float(x[last]), float(y[last]), float(heading[last]))
        placed = {
            name: replace(columns[name], values=values)
            for name, values in (("x", x), ("y", y), ("heading", heading))
        }
        return replace(chunk, columns={**columns, **placed})

    def _placed(self, x: Numbers, y: Numbers, heading: Numbers) -> tuple[Numbers, Numbers, Numbers]:
        """Return poses that are counted from the begin of the segment, counted from the first segment."""
        begin_x, begin_y, begin_heading = self._begin
        ahead, aside = math.cos(begin_heading), math.sin(begin_heading)
        return (
            begin_x + ahead * x - aside * y,
            begin_y + aside * x + ahead * y,
            begin_heading + heading,
        )
