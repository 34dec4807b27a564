"""What sums up the stream, and how long it may wait for more of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canmap.stream.view import View

R_co = TypeVar("R_co", covariant=True)

PATIENCE = 16  # chunks that may wait for a turn; the same for all who wait, so that turns stay apart
ENOUGH_FRAMES = 1 << 12  # so many are worth a turn: nobody waits for more


class Part(Protocol):
    """Sums up one thing of the stream; says nothing on the way.

    It is given every chunk once and in order, several at a time where it may wait. What it makes of them must
    not depend on how many it is given at once: of a view it reads the chunk, its clock, arrivals and records,
    not the state of the timeline and the session, which go on while a view waits.

    Attributes:
        patience: How many chunks may wait for it: PATIENCE, or 0 where it takes each at once.
    """

    patience: int

    def fold(self, views: Sequence[View]) -> None:
        """Take in the next chunks; at least one."""


class Consumer(Protocol[R_co]):
    """What sums up the stream, in parts that are fed each for itself."""

    @property
    def parts(self) -> Sequence[Part]:
        """The parts, always the same; often the consumer itself is the only one."""

    def result(self) -> R_co:
        """Return what came so far; it may be asked at any time."""


class Feed:
    """Gives a part its chunks, small ones several at a time: a turn costs the same for few frames.

    Args:
        part: Who gets them.
        first: How many chunks wait before its first turn; by default as many as before every other.
    """

    def __init__(self, part: Part, first: int | None = None) -> None:
        self._part = part
        self._left = part.patience if first is None else first
        self._waiting: list[View] = []
        self._frames = 0

    def fold(self, view: View) -> None:
        """Take in the next chunk, and hand on what waits if it is its turn, or if that is enough."""
        self._waiting.append(view)
        self._frames += len(view.clock)
        self._left -= 1
        if self._left < 0:
            self._left = self._part.patience
            self.settle()
        elif self._frames >= ENOUGH_FRAMES:  # its turns stay where they are, so that they never meet others
            self.settle()

    def settle(self) -> None:
        """Hand on all that waits."""
        if self._waiting:
            self._part.fold(self._waiting)
            self._waiting, self._frames = [], 0


def feeds(consumers: Iterable[Consumer[object]]) -> list[list[Feed]]:
    """Return a feed for every part of each consumer.

    The patient ones have their turns one after the other, as far apart as they can be: a live frame waits for
    the turns that fall to its chunk.
    """
    by_consumer = [list(consumer.parts) for consumer in consumers]
    patient = sum(part.patience > 0 for parts in by_consumer for part in parts)
    turns = iter(range(patient))
    return [
        [Feed(part, next(turns) * (PATIENCE + 1) // patient if part.patience else 0) for part in parts]
        for parts in by_consumer
    ]
