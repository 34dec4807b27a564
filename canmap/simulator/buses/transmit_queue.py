"""Simulator: a node's waiting frames, and which of them compete for the bus.

In: entries, as a node releases them. Out: entries in the heap that the nodes share; the least of them wins.
"""

from __future__ import annotations

from functools import partial
from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.buses.network import Outcome, Queue

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.frame_bits import WireLength
    from canmap.simulator.buses.network import Node


class QueuedFrame(NamedTuple):
    """A waiting frame; entries compare by arbitration, then by age.

    Attributes:
        key: `arbitration_key` of the frame.
        serial: Number of its release, unique on its bus.
        node: Index of its node.
        queued_ns: When it was released.
        frame: The frame.
        length: Its bits on the wire.
    """

    key: int
    serial: int
    node: int
    queued_ns: int
    frame: Frame
    length: WireLength


new_entry: Callable[[tuple[object, ...]], QueuedFrame] = partial(tuple.__new__, QueuedFrame)


class TransmitQueue:
    """The queue and the mailboxes of one node.

    Args:
        node: What it is like.
        competing: The heap of the bus, which holds what the mailboxes of all nodes hold.
    """

    def __init__(self, node: Node, competing: list[QueuedFrame]) -> None:
        self._node = node
        self._competing = competing
        self._mailboxes = node.mailboxes
        self._loaded = 0
        self._behind: list[tuple[int, QueuedFrame]] = []  # a heap: place in the queue, entry

    @property
    def plain(self) -> bool:
        """Whether every frame competes from its release on, without bounds."""
        node = self._node
        return node.mailboxes is None and node.capacity is None and not node.replaces

    @property
    def empty(self) -> bool:
        """Whether nothing of the node waits or is being sent; not meant where it is `plain`."""
        return not self._loaded and not self._behind

    def put(self, entry: QueuedFrame) -> list[tuple[QueuedFrame, Outcome]]:
        """Let `entry` compete, or wait behind those that do; return what is lost by that, and why."""
        lost = []
        if self._node.replaces and (self._loaded or self._behind):
            lost = [(older, Outcome.REPLACED) for older in self._replaced(entry)]
        capacity = self._node.capacity
        if capacity is not None and self._loaded + len(self._behind) >= capacity:
            return [*lost, (entry, Outcome.QUEUE_FULL)]
        if self._mailboxes is None or self._loaded < self._mailboxes:
            self._loaded += 1
            heappush(self._competing, entry)
        else:
            place = entry.key if self._node.queue is Queue.PRIORITY else entry.serial
            heappush(self._behind, (place, entry))
        return lost

    def _replaced(self, entry: QueuedFrame) -> list[QueuedFrame]:
        """Take out and return the waiting entry that `entry` replaces."""
        for place, (_, waiting) in enumerate(self._behind):
            if waiting.key == entry.key:
                del self._behind[place]
                heapify(self._behind)
                return [waiting]
        same = [each for each in self._competing if each.key == entry.key and each.node == entry.node]
        oldest = sorted(same)[:1]  # of two, where one was destroyed on the bus once the other had come
        for one in oldest:
            self._competing.remove(one)
            heapify(self._competing)
            self._loaded -= 1
        return oldest

    def release_mailbox(self) -> None:
        """Free the mailbox of an entry that has left the heap for good, and load the next into it."""
        self._loaded -= 1
        if self._behind and (self._mailboxes is None or self._loaded < self._mailboxes):
            self._loaded += 1
            heappush(self._competing, heappop(self._behind)[1])

    def clear(self, index: int) -> list[QueuedFrame]:
        """Take out everything that waits in this node, whose index is `index`, oldest first."""
        mine = [entry for entry in self._competing if entry.node == index]
        self._competing[:] = [entry for entry in self._competing if entry.node != index]
        heapify(self._competing)
        waiting = mine + [entry for _, entry in self._behind]
        self._behind.clear()
        self._loaded -= len(mine)
        return sorted(waiting, key=lambda entry: entry.serial)


def winner(competing: list[QueuedFrame], suspended: dict[int, int], now_ns: int) -> QueuedFrame | None:
    """Take out the entry that wins where some senders are suspended; None where nobody may start.

    Args:
        competing: The heap of the bus.
        suspended: Nodes, and until when each waits.
        now_ns: When a frame may start.
    """
    if suspended.get(competing[0][2], 0) <= now_ns:
        return heappop(competing)
    first = min([entry for entry in competing if suspended.get(entry[2], 0) <= now_ns], default=None)
    if first is not None:
        competing.remove(first)
        heapify(competing)
    return first
