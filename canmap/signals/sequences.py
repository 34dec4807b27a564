"""2. Rolling counters: what the counters of frames that follow each other tell of what lies between them.

In come the counters and stamps of the next frames that one counter counts, and the `Tail` of those before
them; out goes what is wrong with each. A counter tells how many frames were lost only up to a whole round;
where the frames have a period, the time between them tells how many rounds it went.

Several messages of a sender that share one counter may overtake each other: a frame that came behind others,
at most `late` of them, is not lost, so what is missing is told `late` frames after the gap.
"""

from __future__ import annotations

from dataclasses import field
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.payload.counters import RollingCounter

LONGEST_NS = 3_600_000_000_000  # a longer gap is a clock that was set, and tells of no number of frames
PAUSE_FRAMES = 3  # a gap with room for so many may hide a start, where no loss explains what the counter did
DRIFT_FRAMES = 64  # one frame in so many that a silence is off is the sender's clock, and not another number
AT_START, IN_SILENCE = 1, 2  # the frame after a loss carries the first value; it came after a silence
_NONE = np.zeros(0, np.int64)


class Wrong(IntEnum):
    """What is wrong with the counter of a frame."""

    NOTHING = 0
    UNREAD = 1  # the checksum is wrong, or the payload does not hold the counter: nothing can be said
    REPEATED = 2
    JUMPED = 3  # further than lost frames explain, or back
    NEVER_SENT = 4  # a value that is not of its round
    RESTARTED = 5  # it began anew after a silence, or a pause that lost frames do not explain


@dataclass(frozen=True, slots=True)
class Counting:
    """How the frames of one sequence are counted.

    Attributes:
        ring: The values that the counter takes.
        every: One counted frame in so many comes: the decimation of a relay, else 1.
        largest: So many steps are taken for lost frames whatever the time says.
        late: So many other frames may overtake a frame.
        period_ns: Mean time between two frames, 0 where it is not known.
        silence_ns: Time without a frame after which the sender may have been restarted.
    """

    ring: RollingCounter
    every: int
    largest: int
    late: int
    period_ns: int
    silence_ns: int

    @property
    def stride(self) -> int:
        """Steps from one frame to the next; at least 1, else the counter tells nothing."""
        return self.every % self.ring.values


@dataclass(frozen=True, slots=True)
class Tail:
    """What the next frames of a sequence need to know of those before them.

    Attributes:
        t_ns: Stamp of the newest frame, None where none has come.
        since: Frames since the newest that was counted.
        newest: Place in the round of the newest frame that is no repeat.
        place: int64[w], places in the round of the newest counted frames, at most `late` + 1.
        pause: int64[w], silences before each, from any number on.
        ahead: int64[m], how far each of the newest frames that are no repeats is ahead of the last of them.
        unread: int64[m], frames before each that could not be counted.
        payload: Of the newest frame, where it counts changes only.
    """

    t_ns: int | None = None
    since: int = 0
    newest: int = 0
    place: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    pause: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    ahead: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    unread: NDArray[np.int64] = field(default_factory=lambda: _NONE)
    payload: bytes = b""


@dataclass(frozen=True, slots=True)
class CounterStory:
    """What the counters of n frames tell.

    Attributes:
        wrong: uint8[n], a `Wrong` each.
        lost: int64[n], frames that are known at each to have been lost before it.
        detail: int64[n], more of what is wrong: the counter of a frame that repeats it or should never carry
            it, the steps of a jump, the time in ns before a restart; of a loss `AT_START` and `IN_SILENCE`.
        tail: For the frames after these.
    """

    wrong: NDArray[np.uint8]
    lost: NDArray[np.int64]
    detail: NDArray[np.int64]
    tail: Tail


def judged(
    counting: Counting,
    tail: Tail,
    number: NDArray[np.int64],
    t_ns: NDArray[np.int64],
    read: NDArray[np.bool_] | None = None,
    idle: NDArray[np.bool_] | None = None,
) -> CounterStory:
    """Judge the next frames of a sequence.

    Args:
        counting: How they are counted.
        tail: What came before them.
        number: int64[n], their counters.
        t_ns: int64[n], their stamps.
        read: bool[n], whose counter can be believed; None for all.
        idle: bool[n], which do not count, because they are the frame before once more; None for none.
    """
    place = counting.ring.places(number)
    wrong = np.where(place < 0, Wrong.NEVER_SENT, Wrong.NOTHING).astype(np.uint8)
    if read is not None:
        wrong[~read] = Wrong.UNREAD
    counted = wrong == Wrong.NOTHING
    uncounted = np.cumsum(~counted)
    if idle is not None:
        counted &= ~idle
    rows = counted.nonzero()[0]
    gap_ns = np.diff(t_ns, prepend=t_ns[:1] if tail.t_ns is None else tail.t_ns)
    unread = np.diff(uncounted[rows], prepend=-tail.since)
    follows = _Follows(counting, tail, place[rows], gap_ns[rows], unread)
    wrong[rows] = follows.wrong
    lost, detail = np.zeros(len(number), np.int64), np.zeros(len(number), np.int64)
    lost[rows], detail[rows] = follows.lost, follows.detail
    of_number = (wrong == Wrong.REPEATED) | (wrong == Wrong.NEVER_SENT)
    detail[of_number] = number[of_number]
    since = int(uncounted[-1]) if len(uncounted) else 0
    since = since + tail.since if not len(rows) else since - int(uncounted[rows[-1]])
    newest = int(t_ns[-1]) if len(t_ns) else tail.t_ns
    return CounterStory(wrong, lost, detail, follows.tail(newest, since))


class _Follows:
    """The frames of a sequence that are counted, behind those of its tail.

    Attributes:
        wrong: uint8[n], what is wrong with each of the n new ones.
        lost: int64[n], as of `CounterStory`.
        detail: int64[n], as of `CounterStory`, without the counters themselves.
    """

    def __init__(
        self,
        counting: Counting,
        tail: Tail,
        place: NDArray[np.int64],
        gap_ns: NDArray[np.int64],
        unread: NDArray[np.int64],
    ) -> None:
        self._counting, self._tail = counting, tail
        values, before, new = counting.ring.values, len(tail.place), len(place)
        self._silent = gap_ns >= counting.silence_ns
        self._place = np.concatenate((tail.place, place))
        pause = np.cumsum(self._silent) + (tail.pause[-1] if before else 0)
        self._pause = np.concatenate((tail.pause, pause))
        self.wrong = np.zeros(new, np.uint8)
        self.lost, self.detail = np.zeros(new, np.int64), np.zeros(new, np.int64)
        repeated = self._again(new) & ((1 + unread) * counting.stride < values)
        steps = self._steps(repeated, new)
        frames = (
            self._frames(gap_ns) + unread
        ) * counting.every  # in steps of the counter, as far as time tells
        rounds = np.maximum((2 * (frames - steps) + values) // (2 * values), 0)
        rounds[~self._silent | (steps == counting.stride)] = 0
        anew = self._silent & (place <= counting.late) & (steps != counting.stride)
        anew &= ~self._fits(frames, steps + rounds * values)
        first = np.zeros(new, np.bool_)
        if not before and new:
            first[0] = True
        anew &= ~first
        repeated |= self._silent & (steps == 0) & (rounds == 0) & ~anew
        repeated &= ~first
        allowed = np.maximum(counting.largest + counting.late, frames + counting.stride)
        jumped = ~self._silent & (steps > allowed) & ~repeated & ~first
        started = jumped & (place <= counting.late) & (self._frames(gap_ns) >= PAUSE_FRAMES)
        anew, jumped = anew | started, jumped & ~started
        self.wrong[anew], self.wrong[repeated], self.wrong[jumped] = (
            Wrong.RESTARTED,
            Wrong.REPEATED,
            Wrong.JUMPED,
        )
        self.detail[:] = AT_START * (place == 0) + IN_SILENCE * self._silent
        self.detail[jumped] = steps[jumped]
        self.detail[anew] = gap_ns[anew]
        ahead = np.where(anew | jumped | first, counting.stride, steps + rounds * values)
        self._miss(ahead, unread, ~repeated)

    def _again(self, new: int) -> NDArray[np.bool_]:
        """Which frames carry what one of the few before them does, with no silence between."""
        again = np.zeros(new, np.bool_)
        whole = len(self._place)
        for back in range(1, self._counting.late + 2):
            since = min(max(whole - new, back), whole)
            same = self._place[since:] == self._place[max(since - back, 0) : max(whole - back, 0)]
            same &= self._pause[since:] == self._pause[max(since - back, 0) : max(whole - back, 0)]
            again[since - (whole - new) :] |= same
        return again

    def _steps(self, repeated: NDArray[np.bool_], new: int) -> NDArray[np.int64]:
        """Steps of each new frame from the one before that is no repeat, less than 0 for one that is late."""
        values, late = self._counting.ring.values, 2 * self._counting.late
        place = np.concatenate(([self._tail.newest], self._place[len(self._place) - new :]))
        kept = np.arange(new + 1)
        kept[1:][repeated] = 0
        before = np.maximum.accumulate(kept)
        self._newest = int(place[before[-1]])
        steps: NDArray[np.int64] = (place[1:] - place[before[:-1]]) % values
        steps[(steps >= values - late) & ~self._silent & (late > 0)] -= values
        return steps

    def _frames(self, gap_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """How many frames the time before each has room for, itself included; 0 where it does not tell."""
        period_ns = self._counting.period_ns
        if not period_ns:
            return np.zeros(len(gap_ns), np.int64)
        told = (gap_ns > 0) & (gap_ns <= LONGEST_NS)
        return np.where(told, (2 * gap_ns + period_ns) // (2 * period_ns), 0)

    def _fits(self, frames: NDArray[np.int64], steps: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Where the time of a silence speaks for so many steps, and not as well for others."""
        slack = self._counting.every * (1 + frames // DRIFT_FRAMES)
        fits: NDArray[np.bool_] = np.abs(frames - steps) <= slack
        return fits & (frames > 0) & (4 * slack <= self._counting.ring.values)

    def _miss(self, ahead: NDArray[np.int64], unread: NDArray[np.int64], kept: NDArray[np.bool_]) -> None:
        """Find how many frames are missing, and keep what the next frames need for that."""
        counting, tail = self._counting, self._tail
        late, rows = counting.late, kept.nonzero()[0]
        place = np.concatenate((tail.ahead, np.cumsum(ahead[rows]))) if len(rows) else tail.ahead
        self._unread = np.concatenate((tail.unread, unread[rows]))
        known = np.arange(max(len(tail.ahead), late + 1), len(place))  # frames at which a gap is known
        front = place.copy()
        for back in range(1, late + 1):
            front[back:] = np.maximum(front[back:], place[:-back])
        low, high = front[known - late - 1], front[known - late]
        missing = (high - low) // counting.stride
        for after in range(late + 1):
            came = place[known - late + after]
            missing -= (came > low) & (came <= high)
        lost = np.maximum(missing - self._unread[known - late], 0)
        self.lost[rows[known - len(tail.ahead)]] = lost
        self._ahead = place

    def tail(self, t_ns: int | None, since: int) -> Tail:
        """Return what the frames after these need."""
        late = self._counting.late
        window = 2 * late + 2
        ahead = self._ahead[-window:]
        return Tail(
            t_ns,
            since,
            self._newest,
            self._place[-late - 1 :],
            self._pause[-late - 1 :],
            ahead - ahead[-1] if len(ahead) else ahead,
            self._unread[-window:],
        )
