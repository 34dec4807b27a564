"""From where to where messages of parameter groups came, and messages that several senders mix."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.check import Check
from canmap.checks.common.tally import Tally, tally
from canmap.findings.finding import Finding, Place, Severity
from canmap.findings.kinds import TWO_SENDERS
from canmap.mapping.groups import addresses

if TYPE_CHECKING:
    from canmap.checks.check import Setting
    from canmap.findings.episodes import Event
    from canmap.signals.prepared import Prepared
    from canmap.stream.view import View

NAMED = 8  # sources that a sentence names


class AddressCheck(Check[Tally]):
    """Counts the addresses of messages that are known by their parameter group.

    A message that comes from several sources mixes the values of several senders in one record.
    """

    kinds = (TWO_SENDERS,)

    def __init__(self, setting: Setting) -> None:
        self._plan = setting.plan
        self._grouped = np.array([slot.message.group is not None for slot in self._plan.slots] or [False])
        self._counts: dict[int, int] = {}
        self._sources: dict[int, dict[int, tuple[int, int, int]]] = {}  # by slot and source

    def of_slot(self, slot: int) -> tuple[tuple[int, int | None, int], ...]:
        """Return (source, destination, frames) of a message, by address."""
        can_id = self._plan.slots[slot].message.can_id
        rows = [
            (*addresses(can_id & ~0xFFFF | key & 0xFFFF), count)
            for key, count in self._counts.items()
            if key >> 16 == slot
        ]
        return tuple(sorted(rows, key=lambda row: (row[0], -1 if row[1] is None else row[1])))

    def prepare(self, prepared: Prepared) -> Tally | None:
        """Count the frames by slot << 16 | destination << 8 | source, the lower half of the identifier.

        Where a group has no destination its extension stands in that place.
        """
        if not self._grouped.any():
            return None
        slot = prepared.slot
        frames = np.flatnonzero((slot >= 0) & self._grouped.take(slot, mode="clip"))
        if not len(frames):
            return None
        return tally(slot[frames].astype(np.int64) << 16 | (prepared.chunk.can_id[frames] & 0xFFFF), frames)

    def fold(self, view: View, part: Tally | None) -> list[Event]:
        """Count the addresses of one chunk."""
        for key, count, first_ns, last_ns in part.rows(view.clock) if part else ():
            self._counts[key] = self._counts.get(key, 0) + count
            of_slot = self._sources.setdefault(key >> 16, {})
            known = of_slot.get(key & 0xFF, (0, first_ns, last_ns))
            of_slot[key & 0xFF] = (known[0] + count, known[1], max(known[2], last_ns))
        return []

    def findings(self) -> list[Finding]:
        """Return one finding for each message that came from several sources."""
        return [
            self._describe(slot, sources)
            for slot, sources in sorted(self._sources.items())
            if len(sources) > 1
        ]

    def _describe(self, slot: int, sources: dict[int, tuple[int, int, int]]) -> Finding:
        described = self._plan.slots[slot]
        named = [f"{source:02X}" for source in sorted(sources)]
        listed = ", ".join(named[:NAMED]) + (" and more" if len(named) > NAMED else "")
        starts = sorted(first_ns for _, first_ns, _ in sources.values())
        return Finding(
            kind=TWO_SENDERS,
            severity=Severity.WARNING,
            place=Place(bus=described.bus_name, message=described.message.name),
            start_ns=starts[1],
            end_ns=max(last_ns for _, _, last_ns in sources.values()),
            count=len(sources),
            facts={"sources": tuple(f"{source:02X}" for source in sorted(sources))},
            text=(
                f"{described.message.name} came from {times(len(sources), 'source address')}, {listed}, "
                "whose values are mixed: name the right one as its `source` in the spec."
            ),
        )
