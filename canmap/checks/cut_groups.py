"""The frames of the nodes that a stop chain cuts: who still sends, and when the last one did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.bit_course import NEVER_NS, delay_ns
from canmap.checks.node_frames import frames_of, slots_of_nodes

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
        self._rows, self._of = frames_of(self.slots, view)
        self._clock = view.clock[self._rows]
        self._late = np.zeros(len(self._rows), np.bool_)

    @property
    def frames(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int64]]:
        """The frames of the chunk, intp[n], which node sent each, and how late it may be, int64[n] in ns."""
        return self._rows, self._node[self._of], self._allowed_ns[self._of]

    def last_ns(self, row: int) -> int:
        """Return the session clock of the newest frame at a frame of the chunk, NEVER_NS for none."""
        place = int(self._rows.searchsorted(row, side="right"))
        return int(self._clock[place - 1]) if place else self._last_ns

    def keep(self, late: NDArray[np.bool_]) -> None:
        """Keep which of the frames of the chunk, bool[n], came too late."""
        self._late = late

    def late_ns(self, row: int | None = None) -> int:
        """Return the session clock of the newest frame that was too late, up to a frame of the chunk."""
        if row is None:
            return self._late_ns
        late = self._clock[self._late & (self._rows <= row)]
        return int(late[-1]) if len(late) else self._late_ns

    def carry(self) -> None:
        """Keep what the next chunk needs."""
        if len(self._clock):
            self._last_ns = int(self._clock[-1])
            self._late_ns = self.late_ns(int(self._rows[-1]))
