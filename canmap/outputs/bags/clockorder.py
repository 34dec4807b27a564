"""Messages of several topics in the order of the session clock, however the frames were cut into steps."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import ArgumentError
from canmap.topics.topic_messages import Payloads

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canmap.topics.topic_messages import TopicMessages

_ROWS = 1 << 14  # messages at once: their bytes stay in the cache of the processor


class ClockOrder:
    """Hands on the messages of all moments but the newest, of which the next step may bring more."""

    def __init__(self) -> None:
        self._held: list[TopicMessages] = []
        self._handed_on: int | None = None  # newest moment of which messages were

    def take(self, groups: Sequence[TopicMessages]) -> Iterator[list[TopicMessages]]:
        """Take messages; yield those of older moments, some moments at a time, all of a moment together.

        Raises:
            ArgumentError: There are messages of a moment that others have followed.
        """
        there = [*self._held, *(group for group in groups if len(group))]
        if not there:
            return
        oldest = min(int(group.clock_ns[0]) for group in there)
        if self._handed_on is not None and oldest <= self._handed_on:
            raise ArgumentError(
                "groups",
                f"messages of {oldest} ns come after those of {self._handed_on} ns; "
                "hand them on in the order of the session clock.",
            )
        newest = max(int(group.clock_ns[-1]) for group in there)
        self._held = [_copied(part) for part in _split(there, newest, newest + 1)]
        yield from self._slabs(_split(there, oldest, newest))

    def rest(self) -> Iterator[list[TopicMessages]]:
        """Yield the messages of the newest moment; there are no more."""
        held, self._held = self._held, []
        yield from self._slabs(held)

    def _slabs(self, there: list[TopicMessages]) -> Iterator[list[TopicMessages]]:
        if not there:
            return
        moments = np.sort(np.concatenate([group.clock_ns for group in there]))
        self._handed_on = int(moments[-1])
        cuts = [*np.unique(moments[::_ROWS]).tolist(), int(moments[-1]) + 1]
        for begin, end in pairwise(cuts):
            yield _split(there, begin, end)


def _split(groups: Sequence[TopicMessages], begin: int, end: int) -> list[TopicMessages]:
    """Return the messages from one moment on, before another, without groups that have none."""
    parts = []
    for group in groups:
        first, last = np.searchsorted(group.clock_ns, [begin, end]).tolist()
        if first < last:
            parts.append(_rows(group, first, last))
    return parts


def _rows(group: TopicMessages, begin: int, end: int) -> TopicMessages:
    start = group.payloads.start[begin : end + 1]
    return replace(
        group,
        frame=group.frame[begin:end],
        clock_ns=group.clock_ns[begin:end],
        stamp_ns=group.stamp_ns[begin:end],
        payloads=Payloads(group.payloads.data[start[0] : start[-1]], start - start[0]),
    )


def _copied(group: TopicMessages) -> TopicMessages:
    """Return the same messages in memory of their own: a few rows do not hold on to those of a whole step."""
    return replace(
        group,
        frame=group.frame.copy(),
        clock_ns=group.clock_ns.copy(),
        stamp_ns=group.stamp_ns.copy(),
        payloads=Payloads(group.payloads.data.copy(), group.payloads.start.copy()),
    )
