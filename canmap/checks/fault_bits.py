"""Faults that the kit itself reports: what a manual says of a bit, while the bit says it.

A bit, or a whole signal, reports its fault where it is not 0, or where it is 0 if it is normally closed. What
a payload is too short for, and codes for "no data", say neither that there is one nor that there is none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import times
from canmap.checks.samples import SampleCheck, there
from canmap.checks.subjects import HIGHEST, LOWEST
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.signals.extract import counts, no_data

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode
    from canmap.mapping.manual import FaultRule
    from canmap.signals.extract import Samples

FAULT_REPORTED = Kind("fault_reported", Severity.ERROR)  # the spec gives each fault a severity of its own


class FaultBits(SampleCheck):
    """Judges every fault that the spec says a signal reports."""

    kinds = (FAULT_REPORTED,)
    judges = ("faults",)

    def __init__(self, setting: Setting) -> None:
        self._faults = setting.spec.manual.faults
        refs = [fault.signal for fault in self._faults]
        columns = [setting.plan.column_of[ref.bus, ref.message, ref.signal] for ref in refs]
        super().__init__(setting, columns, [_plain(fault) for fault in self._faults])

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        fault, number = self._faults[index], int(self._column[index])
        column, raw = self._plan.columns[number], samples.values(number)
        held = there(samples, (number,)) & ~no_data(raw, column.kind, column.signal.no_data)
        told = raw if fault.bit is None else raw >> fault.bit & 1
        reports = (told == 0) if fault.normally_closed else (told != 0)
        return counts(raw, column.kind), held & reports, held & ~reports

    def _describe(self, episode: Episode) -> Finding:
        fault = self._faults[episode.subject]
        ref = fault.signal
        bit = "" if fault.bit is None else f" bit {fault.bit}"
        text = f"{ref.message}.{ref.signal}{bit}: {fault.text.rstrip('.')}"
        text += " (from the start)" if episode.from_start and episode.still else ""
        text += f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        text += f"; what clears it: {fault.reset.rstrip('.')}" if fault.reset else ""
        place = Place(bus=ref.bus, message=ref.message, signal=ref.signal)
        found = episode.finding(FAULT_REPORTED, place, f"{text}.", severity=Severity(fault.severity))
        told = {"bit": fault.bit, "text": fault.text, "reset": fault.reset or None}
        return replace(found, facts={name: what for name, what in told.items() if what is not None})


def _plain(fault: FaultRule) -> tuple[int, int]:
    """Smallest and largest of a run of raw values, as samples hold them, none of which reports the fault."""
    if fault.bit is None:
        return (1, HIGHEST) if fault.normally_closed else (0, 0)
    without = 0, (1 << fault.bit) - 1
    if not fault.normally_closed:
        return without
    return (LOWEST, -1) if without[1] == HIGHEST else (without[1] + 1, 2 * without[1] + 1)
