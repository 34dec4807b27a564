"""The frames of the nodes that a stop chain cuts: who still sends, and when the last one did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.common.bit_course import NEVER_NS, delay_ns
from canmap.checks.common.node_frames import ends_of, frames_of, slots_of_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.stream.view import View


class CutGroup:
    """The nodes of one supply group.

    Args:
        name: Of the group.
        setting: Of the spec.

    Attributes:
        name: The same.
        nodes: Its nodes.
        slots: The slots of their messages.
        buses: The buses that these are on.
        longest_ns: How long after its supply was cut the last frame of any of them may come.
    """

    def __init__(self, name: str, setting: Setting) -> None:
        manual = setting.spec.manual
        self.name, self.nodes = name, manual.supply_groups[name]
        hold_up_ns = {node.name: node.hold_up_ns for node in manual.nodes}
        rules = setting.rules
        self.slots = slots_of_nodes(self.nodes, setting)
        self.buses = {rules[slot].bus for slot in self.slots}
        senders = [rules[slot].sender or "" for slot in self.slots]
        self._node = np.array([self.nodes.index(sender) for sender in senders], np.intp)
        allowed = [
            hold_up_ns.get(sender, 0) + delay_ns(rules[slot])
            for slot, sender in zip(self.slots, senders, strict=True)
        ]
        self._allowed_ns = np.array(allowed, np.int64)
        self.longest_ns = max(allowed, default=0)
        self._last_ns = self._late_ns = int(NEVER_NS)

    def begin(self, view: View) -> None:
        """Go on to the next chunk."""
        self._view, self._ends = view, ends_of(self.slots, view)
        self._late_rows = np.zeros(0, np.intp)

    @property
    def frames(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int64]]:
        """The frames of the chunk, intp[n], which node sent each, and how late it may be, int64[n] in ns."""
        rows, of = frames_of(self.slots, self._view)
        return rows, self._node[of], self._allowed_ns[of]

    def last_ns(self, row: int) -> int:
        """Return the session clock of the newest frame at a frame of the chunk, NEVER_NS for none."""
        rows, _ = frames_of(self.slots, self._view)
        place = int(rows.searchsorted(row, side="right"))
        return int(self._view.clock[rows[place - 1]]) if place else self._last_ns

    def keep(self, late: NDArray[np.intp]) -> None:
        """Keep the frames of the chunk that came too late, intp[n]."""
        self._late_rows = late

    def late_ns(self, row: int | None = None) -> int:
        """Return the session clock of the newest frame that was too late, up to a frame of the chunk."""
        if row is None:
            return self._late_ns
        place = int(self._late_rows.searchsorted(row, side="right"))
        return int(self._view.clock[self._late_rows[place - 1]]) if place else self._late_ns

    def carry(self) -> None:
        """Keep what the next chunk needs."""
        if self._ends is not None:
            self._late_ns = self.late_ns(self._ends[1])
            self._last_ns = int(self._view.clock[self._ends[1]])
        del self._view
