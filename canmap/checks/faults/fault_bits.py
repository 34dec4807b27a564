"""Faults that the kit itself reports: what a manual says of a bit, while the bit says it.

A bit, or a whole signal, reports its fault where it is not 0, or where it is 0 if it is normally closed; a
code where the signal has it. One with a `debounce` is told once it has lasted for longer than that. What
a payload is too short for, and codes for "no data", say neither that there is one nor that there is none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import listed, times
from canmap.checks.common.lasting import Judged, Lasting, LastingCheck, lines_at
from canmap.checks.common.pages import on_page, paged
from canmap.checks.common.samples import SampleCheck, there
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.signals.extract import counts, no_data, patterns
from canmap.signals.prepared import HIGHEST, LOWEST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode
    from canmap.mapping.fault_rules import FaultRule
    from canmap.signals.extract import Samples
    from canmap.stream.view import View

FAULT_REPORTED = Kind("fault_reported", Severity.ERROR)  # the spec gives each fault a severity of its own


class FaultBits(SampleCheck):
    """Judges every fault that the spec says a signal reports, but for those with a `debounce`."""

    kinds = (FAULT_REPORTED,)

    def __init__(self, setting: Setting) -> None:
        self._faults = [fault for fault in setting.spec.manual.faults if not fault.debounce_ns]
        columns = [_column(fault, setting) for fault in self._faults]
        super().__init__(setting, columns, [_plain(fault) for fault in self._faults])

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        fault, number = self._faults[index], int(self._column[index])
        raw, held, reports = _told(fault, number, samples)
        return counts(raw, self._plan.columns[number].kind), held & reports, held & ~reports

    def _describe(self, episode: Episode) -> Finding:
        return _described(episode, self._faults[episode.subject])


class DebouncedFaults(LastingCheck):
    """Judges the faults that are none before they have lasted for some time."""

    kinds = (FAULT_REPORTED,)

    def __init__(self, setting: Setting) -> None:
        self._faults = [fault for fault in setting.spec.manual.faults if fault.debounce_ns]
        self._columns = [_column(fault, setting) for fault in self._faults]
        slots = [setting.plan.columns[column].slot for column in self._columns]
        gaps = [setting.rules[slot].stale_after_ns for slot in slots]
        self._lasting = [
            Lasting(fault.debounce_ns, gap_ns) for fault, gap_ns in zip(self._faults, gaps, strict=True)
        ]
        super().__init__(slots)

    def _judge(self, subject: int, view: View) -> Judged | None:
        samples, column = view.prepared.samples, self._columns[subject]
        raw, held, reports = _told(self._faults[subject], column, samples)
        positions = samples.positions(column)[held]
        clock, line = view.clock[positions], lines_at(view, positions)
        return self._lasting[subject].judged(clock, raw[held].astype(np.float64), reports[held], line)

    def _describe(self, episode: Episode) -> Finding:
        return _described(episode, self._faults[episode.subject])


def _column(fault: FaultRule, setting: Setting) -> int:
    ref = fault.signal
    return setting.plan.column_of[ref.bus, ref.message, ref.signal]


def reports_fault(fault: FaultRule, raw: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return bool[n], which raw values of its signal report a fault."""
    if fault.codes:
        coded: NDArray[np.bool_] = (raw == patterns(fault.codes)[:, np.newaxis]).any(axis=0)
        return coded
    told = raw if fault.bit is None else raw >> fault.bit & 1
    reports: NDArray[np.bool_] = (told == 0) if fault.normally_closed else (told != 0)
    return reports


def _told(
    fault: FaultRule, number: int, samples: Samples
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """The raw values of a column, which of them say anything, and which report the fault."""
    column, raw = samples.plan.columns[number], samples.values(number)
    held = there(samples, (number,)) & ~no_data(raw, column.kind, column.signal.no_data)
    return raw, held, reports_fault(fault, raw)


def name_of_fault(fault: FaultRule) -> str:
    """Return what sentences call where a fault is reported: "KitState.FaultBits bit 3"."""
    bit = "" if fault.bit is None else f" bit {fault.bit}"
    code = f" {listed(map(str, fault.codes))}" if fault.codes else ""
    return f"{fault.signal.message}.{fault.signal.signal}{bit}{code}"


def _described(episode: Episode, fault: FaultRule) -> Finding:
    """Return the finding of a fault that was reported."""
    ref = fault.signal
    text = f"{name_of_fault(fault)}: {fault.text.rstrip('.')}"
    text += " (from the start)" if episode.from_start and episode.still else ""
    text += f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
    text += f"; what clears it: {fault.reset.rstrip('.')}" if fault.reset else ""
    place = Place(bus=ref.bus, message=ref.message, signal=ref.signal)
    text = f"{on_page(text, fault.page)}."
    found = episode.finding(FAULT_REPORTED, place, text, severity=Severity(fault.severity))
    told: dict[str, str | float | None] = {"bit": fault.bit, "text": fault.text, "reset": fault.reset or None}
    told |= {"code": fault.codes[0] if fault.codes else None, "debounce_s": fault.debounce_ns / 1e9 or None}
    facts = {name: what for name, what in told.items() if what is not None}
    return replace(found, facts=paged(facts, fault.page))


def _plain(fault: FaultRule) -> tuple[int, int]:
    """Smallest and largest of a run of raw values, as samples hold them, none of which reports the fault."""
    if fault.codes:
        lowest = min(patterns(fault.codes).tolist())
        return (0, lowest - 1) if lowest > 0 else (HIGHEST, LOWEST)
    if fault.bit is None:
        return (1, HIGHEST) if fault.normally_closed else (0, 0)
    without = 0, (1 << fault.bit) - 1
    if not fault.normally_closed:
        return without
    return (LOWEST, -1) if without[1] == HIGHEST else (without[1] + 1, 2 * without[1] + 1)
