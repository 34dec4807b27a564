"""Messages of several topics in the order of the frames they follow from, however the frames were cut."""

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


class FrameOrder:
    """Hands on the messages of all frames but the newest, of which the next step may bring more."""

    def __init__(self) -> None:
        self._held: list[TopicMessages] = []
        self._handed_on = -1  # newest frame of which messages were

    def take(self, groups: Sequence[TopicMessages]) -> Iterator[list[TopicMessages]]:
        """Take messages; yield those of older frames, some frames at a time, all of a frame together.

        Raises:
            ArgumentError: There are messages of a frame that others have followed.
        """
        there = [*self._held, *(group for group in groups if len(group))]
        if not there:
            return
        oldest = min(int(group.frame[0]) for group in there)
        if oldest <= self._handed_on:
            raise ArgumentError(
                "groups",
                f"messages of frame {oldest} come after those of frame {self._handed_on}; "
                "hand them on in the order of frames.",
            )
        newest = max(int(group.frame[-1]) for group in there)
        self._held = [_copied(part) for part in _split(there, newest, newest + 1)]
        yield from self._slabs(_split(there, oldest, newest))

    def rest(self) -> Iterator[list[TopicMessages]]:
        """Yield the messages of the newest frame; there are no more."""
        held, self._held = self._held, []
        yield from self._slabs(held)

    def _slabs(self, there: list[TopicMessages]) -> Iterator[list[TopicMessages]]:
        if not there:
            return
        frames = np.sort(np.concatenate([group.frame for group in there]))
        self._handed_on = int(frames[-1])
        cuts = [*np.unique(frames[::_ROWS]).tolist(), int(frames[-1]) + 1]
        for begin, end in pairwise(cuts):
            yield _split(there, begin, end)


def _split(groups: Sequence[TopicMessages], begin: int, end: int) -> list[TopicMessages]:
    """Return the messages of frames from `begin` on, before `end`, without groups that have none."""
    parts = []
    for group in groups:
        first, last = np.searchsorted(group.frame, [begin, end]).tolist()
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
