"""The supply of a node below what it needs: it may restart, or do what it should not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import times
from canmap.checks.common.samples import SampleCheck, there
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.signals.extract import as_float64, no_data
from canmap.signals.limits import raw_limits
from canmap.signals.plan import ColumnKind
from canmap.signals.prepared import HIGHEST, LOWEST

if TYPE_CHECKING:
    from fractions import Fraction

    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode
    from canmap.mapping.refs import SignalRef
    from canmap.mapping.supplied_nodes import NodeRule
    from canmap.signals.extract import Samples
    from canmap.signals.plan import Column
    from canmap.vocabulary.figures import Figures

UNDERVOLTAGE = Kind("undervoltage", Severity.WARNING)


class Undervoltage(SampleCheck):
    """Judges the supply of every node whose lowest supply the spec tells."""

    kinds = (UNDERVOLTAGE,)

    def __init__(self, setting: Setting) -> None:
        self._nodes: list[tuple[NodeRule, SignalRef, Fraction]] = [
            (node, node.supply, node.lowest_supply)
            for node in setting.spec.manual.nodes
            if node.supply is not None and node.lowest_supply is not None
        ]
        plan = setting.plan
        columns = [plan.column_of[ref.bus, ref.message, ref.signal] for _, ref, _ in self._nodes]
        self._span = [
            _enough(plan.columns[column], lowest)
            for column, (_, _, lowest) in zip(columns, self._nodes, strict=True)
        ]
        plain = [
            (max(low, LOWEST), high) if span is not None and high <= HIGHEST else (HIGHEST, LOWEST)
            for span in self._span
            for low, high in [span or (0, 0)]
        ]
        super().__init__(setting, columns, plain, lambda _subject, value: -value)

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        number_ = int(self._column[index])
        column, raw = self._plan.columns[number_], samples.values(number_)
        held = there(samples, (number_,)) & ~no_data(raw, column.kind, column.signal.no_data)
        signal, span = column.signal, self._span[index]
        codes = as_float64(raw, column.kind, signal.bits)
        volts = codes * float(signal.factor) + float(signal.offset)
        if span is None:
            enough = ~(volts < float(self._nodes[index][2]))
        else:
            enough = (codes >= span[0]) & (codes <= span[1])
        return volts, held & ~enough, held & enough

    def _describe(self, episode: Episode) -> Finding:
        node, ref, lowest = self._nodes[episode.subject]
        unit = self._plan.columns[int(self._column[episode.subject])].signal.unit
        name = f"{ref.message}.{ref.signal}"
        fell = "was" if episode.from_start else "fell to"
        when = " from the start" if episode.from_start and episode.still else ""
        when += f" in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        page = f" (page {node.page} of the manual)" if node.page else ""

        def text(figures: Figures) -> str:
            low, needed = (figures.value(value, unit) for value in (episode.worst, float(lowest)))
            return f"The supply of {node.name} ({name}) {fell} {low}{when}; it needs {needed}{page}."

        place = Place(bus=ref.bus, message=ref.message, signal=ref.signal)
        found = episode.finding(UNDERVOLTAGE, place, text, value=episode.worst, limit=float(lowest))
        told = {
            "node": node.name,
            "unit": unit,
            "axis": node.axis or None,
            "page": node.page or None,
            "stretches": episode.more or None,
        }
        return replace(found, facts={key: what for key, what in told.items() if what is not None})


def _enough(column: Column, lowest: Fraction) -> tuple[int, int] | None:
    """The smallest and largest raw count of a supply that is enough; None for a floating-point signal."""
    signal = column.signal
    if column.kind is ColumnKind.FLOAT:
        return None
    return raw_limits(lowest, None, signal.factor, signal.offset, signal.bits, signal.signed)
