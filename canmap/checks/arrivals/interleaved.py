"""Two sequences of a rolling counter that interleave: what tells one sender from two."""

from __future__ import annotations

from dataclasses import field

from canmap.base.dataclass import dataclass

SURE = 5  # frames by which each of two sequences has to go on
IDLE = 8  # frames without one of a sequence: it is over
STRANGE = 1 / 16  # of the frames may fit neither, besides two
ALIKE = 1 / 3  # of the frames: sequences that say the same so often are one whose frames came twice


@dataclass(slots=True)
class Sequence:
    """One of the sequences.

    Attributes:
        place: Place in the round of its newest frame.
        at: Ordinal of that frame.
        content: Its payload.
        went_on: Frames with which it went on.
    """

    place: int
    at: int
    content: bytes
    went_on: int = 0


@dataclass(slots=True)
class Interleaved:
    """Frames of one counter from one on that was not the next, as two sequences as far as they are.

    Attributes:
        values: How many values the counter takes.
        stride: From one frame of a sequence to its next.
        first: Ordinal of the first frame.
        start_ns: Its session clock.
        last: Ordinal of the newest frame with which a sequence went on behind one of the other.
        end_ns: Its session clock.
    """

    values: int
    stride: int
    first: int
    start_ns: int
    last: int
    end_ns: int
    _sequences: list[Sequence] = field(default_factory=list)
    _strange: int = 0
    _equal: int = 0

    @property
    def frames(self) -> int:
        """Frames with which either went on."""
        return sum(one.went_on for one in self._sequences)

    @property
    def are_two(self) -> bool:
        """Whether there were two senders."""
        each = len(self._sequences) == 2 and all(one.went_on >= SURE for one in self._sequences)
        return each and self._equal < ALIKE * self.frames

    def take(self, place: int, ordinal: int, clock_ns: int, content: bytes) -> bool:
        """Take in the next frame; tell whether it may still go on so."""
        for one in self._sequences:
            if place == (one.place + self.stride) % self.values:
                if one.at < max(other.at for other in self._sequences):  # the other came before
                    self.last, self.end_ns = ordinal, clock_ns
                one.place, one.at, one.content = place, ordinal, content
                one.went_on += 1
                break
        else:
            if len(self._sequences) < 2:
                self._sequences.append(Sequence(place, ordinal, content))
            else:
                self._strange += 1
                oldest = min(self._sequences, key=lambda one: one.at)
                oldest.place, oldest.at, oldest.content = place, ordinal, content
        if len(self._sequences) < 2:
            return ordinal - self.first < IDLE
        if ordinal - min(one.at for one in self._sequences) >= IDLE:
            return False
        first, second = self._sequences
        self._equal += first.place == second.place and first.content == second.content
        return self._strange <= 2 + STRANGE * self.frames
