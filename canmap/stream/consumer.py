"""What sums up the stream, and how long it may wait for more of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.stream.view import View

R_co = TypeVar("R_co", covariant=True)

ENOUGH_FRAMES = 1 << 12  # so many are worth a turn: nobody waits for more


class Consumer(Protocol[R_co]):
    """Sums up the stream; says nothing on the way.

    It is given every chunk once and in order, several at a time where it may wait. What it makes of them must
    not depend on how many it is given at once: of a view it reads the chunk, its clock, arrivals and records,
    not the state of the timeline and the session, which go on while a view waits.

    Attributes:
        patience: How many chunks may wait for it; 0 where it takes each at once.
    """

    patience: int

    def fold(self, views: Sequence[View]) -> None:
        """Take in the next chunks; at least one."""

    def result(self) -> R_co:
        """Return what came so far; it may be asked at any time."""


class Feed:
    """Gives a consumer its chunks, small ones several at a time: a turn costs the same for few frames.

    Args:
        consumer: Who gets them.
    """

    def __init__(self, consumer: Consumer[object]) -> None:
        self._consumer = consumer
        self._waiting: list[View] = []
        self._frames = 0

    def fold(self, view: View) -> None:
        """Take in the next chunk, and hand on what waits if it is enough."""
        self._waiting.append(view)
        self._frames += len(view.clock)
        if len(self._waiting) > self._consumer.patience or self._frames >= ENOUGH_FRAMES:
            self.settle()

    def settle(self) -> None:
        """Hand on all that waits."""
        if self._waiting:
            self._consumer.fold(self._waiting)
            self._waiting, self._frames = [], 0
