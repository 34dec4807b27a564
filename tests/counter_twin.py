"""What rolling counters tell as it is documented, frame by frame: slow, and plain Python.

Nothing of the engine is used. A counter is given by the list of the values that it takes, in their order.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable

HOUR = 3_600_000_000_000


class Seen(NamedTuple):
    """A frame of a sequence: its counter, its stamp, and whether its counter can be read."""

    number: int
    t_ns: int
    read: bool = True


class Told(NamedTuple):
    """What is wrong with a frame, in a word, and how many frames were lost before it."""

    wrong: str
    lost: int


@dataclass
class CounterTwin:
    """One counter of one message."""

    values: list[int]
    every: int = 1
    largest: int = 7
    period_ns: int = 0
    silence_ns: int = HOUR
    place: int | None = None
    t_ns: int | None = None
    unread: int = 0
    told: list[Told] = field(default_factory=list)

    def run(self, frames: Iterable[Seen]) -> list[Told]:
        """Judge frames one by one."""
        return [self.judge(frame) for frame in frames]

    def judge(self, frame: Seen) -> Told:
        """Judge the next frame."""
        gap = 0 if self.t_ns is None else frame.t_ns - self.t_ns
        self.t_ns = frame.t_ns
        if not frame.read or frame.number not in self.values:
            self.unread += 1
            return Told("NEVER_SENT" if frame.read else "UNREAD", 0)
        before, unread = self.place, self.unread
        self.place, self.unread = self.values.index(frame.number), 0
        if before is None:
            return Told("NOTHING", 0)
        return self._between(before, self.place, gap, unread)

    def _between(self, before: int, place: int, gap: int, unread: int) -> Told:
        whole = len(self.values)
        steps, stride = (place - before) % whole, self.every % whole
        room = 0
        if self.period_ns and 0 < gap <= HOUR:
            room = (2 * gap + self.period_ns) // (2 * self.period_ns)
        frames = (room + unread) * self.every
        if gap >= self.silence_ns:
            return self._after_silence(place, steps, frames, unread)
        if steps == 0 and (1 + unread) * stride < whole:
            return Told("REPEATED", 0)
        if steps > max(self.largest, frames + stride):
            return Told("RESTARTED" if place == 0 and room >= 3 else "JUMPED", 0)
        return Told("NOTHING", max(steps // stride - 1 - unread, 0))

    def _after_silence(self, place: int, steps: int, frames: int, unread: int) -> Told:
        whole, stride = len(self.values), self.every % len(self.values)
        if steps == stride:
            return Told("NOTHING", 0)
        rounds = 0
        while abs(frames - steps - (rounds + 1) * whole) <= abs(frames - steps - rounds * whole):
            rounds += 1
        slack = self.every * (1 + frames // 64)
        sure = frames > 0 and 4 * slack <= whole and abs(frames - steps - rounds * whole) <= slack
        if place == 0 and not sure:
            return Told("RESTARTED", 0)
        if steps + rounds * whole == 0:
            return Told("REPEATED", 0)
        return Told("NOTHING", max((steps + rounds * whole) // stride - 1 - unread, 0))
