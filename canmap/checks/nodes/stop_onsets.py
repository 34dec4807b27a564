"""What happens once in a stop chain: the loop opens, the supply is cut; whether anyone asked for that.

Both are judged a little later, when whoever asked must have shown it too. Only samples up to then count.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.checks.common.bit_course import NEVER_NS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.checks.common.bit_course import BitCourse, BitSamples
    from canmap.stream.view import View


@dataclass(slots=True)
class StopOnset:
    """A yes that began.

    Attributes:
        start_ns: Session clock of its first sample.
        before_ns: That of the sample before, which said no; NEVER_NS where it was yes from the start.
        asked_ns: From when on a stop had been asked for by then, `start_ns` if it had not.
        line: Line of the capture.
        due_ns: It is judged at the first sample after this.
        late: A stop had been asked for longer than allowed.
        maybe: Something may explain it.
        by: Which of what explains it said yes.
    """

    start_ns: int
    before_ns: int
    asked_ns: int
    line: int
    due_ns: int
    late: bool = False
    maybe: bool = False
    by: set[int] = field(default_factory=set)

    @property
    def from_start(self) -> bool:
        """It was yes at the first sample of all."""
        return self.before_ns == NEVER_NS


class Onsets:
    """Follows the onsets of a yes or no until they are judged.

    Args:
        course: Of what.
        others: What explains them, as long as it said yes at most `within_ns` before.
        within_ns: Of the stop chain.
    """

    def __init__(self, course: BitCourse, others: Sequence[BitCourse], within_ns: int) -> None:
        self.course, self._others, self._within_ns = course, tuple(others), within_ns
        self._waiting: list[StopOnset] = []
        self._seen = False

    @property
    def waiting(self) -> bool:
        """Whether any is not judged yet."""
        return bool(self._waiting)

    @property
    def reach_ns(self) -> int:
        """How long after an onset what explains it may still show."""
        return max((other.delay_ns for other in self._others), default=0)

    def begin(self, bits: BitSamples) -> list[tuple[int, int]]:
        """Return the samples at which one begins, each with the clock of the sample before."""
        found = [(k, int(bits.clock[k - 1])) for k in (bits.changed & bits.on).nonzero()[0].tolist()]
        if not self._seen and len(bits.rows) > 1:
            self._seen = True
            if bits.on[1] and not bits.told[0]:
                found.insert(0, (1, int(NEVER_NS)))
        return found

    def wait(self, onset: StopOnset) -> None:
        """Take one that is to be judged later."""
        self._waiting.append(onset)

    def due(self, bits: BitSamples, others: Sequence[BitSamples]) -> list[tuple[StopOnset, int]]:
        """Return those that can be judged now, each with the sample at which it can."""
        if not self._waiting:
            return []
        found, left = [], []
        for onset in self._waiting:
            for number, (course, other) in enumerate(zip(self._others, others, strict=True)):
                self._explain(onset, number, course, other)
            k = int(bits.clock.searchsorted(onset.due_ns, side="right"))
            if 0 < k < len(bits.rows):
                found.append((onset, k))
            else:
                left.append(onset)
        self._waiting = left
        return found

    def known(self, bits: BitSamples, k: int, others: Sequence[BitSamples]) -> bool:
        """Whether at a sample all that may explain an onset tells something."""
        row, clock = bits.rows[k : k + 1], bits.clock[k : k + 1]
        return all(bool(other.known(other.at(row), clock)[0]) for other in others)

    def _explain(self, onset: StopOnset, number: int, course: BitCourse, other: BitSamples) -> None:
        """See whether another one said yes, or may have, in the time in which that explains an onset."""
        first_ns = (
            onset.before_ns if onset.from_start else onset.before_ns - self._within_ns - course.delay_ns
        )
        last = int(other.clock.searchsorted(onset.start_ns + course.delay_ns, side="right")) - 1
        if last < 0:
            return
        held = bool(other.told[last] and other.on[last])
        onset.maybe |= held or (not onset.from_start and int(other.maybe_ns[last]) >= first_ns)
        if held or first_ns <= other.on_ns[last] != NEVER_NS:
            onset.by.add(number)


def line_of(view: View, row: int) -> int:
    """Return the line of the capture of a frame of the chunk."""
    return int(view.prepared.chunk.line[row])
