"""The course of a yes or no of a record: what each sample says, and since when.

Nothing is known across a gap: after a silence longer than the `stale_after` of the message that stamps the
record, after a hole in the recording, and while the field is not valid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.offgaps import TOLERATED
from canmap.mapping.model import Trigger

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.model import MessageRule
    from canmap.stream.view import View

NEVER_NS = np.iinfo(np.int64).min // 2


@dataclass(frozen=True, slots=True)
class BitSamples:
    """The newest sample before a chunk, and the n of it.

    Attributes:
        rows: intp[n + 1], their frames in the chunk; -1 for the one before.
        clock: int64[n + 1], session clock of each; NEVER_NS where none came before.
        told: bool[n + 1], whether it tells anything.
        on: bool[n + 1], what it says.
        changed: bool[n + 1], the sample before said the opposite; not known of the one before the chunk.
        first: intp[n + 1], the first sample in a row that said the same; 0: that was before the chunk.
        since_ns: int64[n + 1], session clock of it.
        sure: bool[n + 1], it began there: the sample before that said the opposite.
        on_ns: int64[n + 1], session clock of the newest sample that was on, NEVER_NS if none was.
        maybe_ns: int64[n + 1], session clock up to which it may have been on, for all that is known.
        holds_ns: For how long a sample holds.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    told: NDArray[np.bool_]
    on: NDArray[np.bool_]
    changed: NDArray[np.bool_]
    first: NDArray[np.intp]
    since_ns: NDArray[np.int64]
    sure: NDArray[np.bool_]
    on_ns: NDArray[np.int64]
    maybe_ns: NDArray[np.int64]
    holds_ns: int

    def at(self, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return intp[k], the newest sample at each of some frames of the chunk, its own included."""
        return self.rows.searchsorted(rows, side="right") - 1

    def known(self, samples: NDArray[np.intp], clock: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return bool[k], which of some samples still tell anything at `clock` int64[k]."""
        return self.told[samples] & (clock - self.clock[samples] <= self.holds_ns)


class BitCourse:
    """Follows a yes or no of a record from chunk to chunk.

    Args:
        name: Record and field.
        setting: Whose records they are.

    Attributes:
        text: How sentences name it.
        stream: Stream of the message that stamps the record.
        delay_ns: How much later than in the kit it may show on the bus.
    """

    def __init__(self, name: tuple[str, str], setting: Setting) -> None:
        self.name, self.text = name, ".".join(name)
        record = next(one for one in setting.spec.records if one.name == name[0])
        self.stream = setting.plan.slot_of[record.bus, record.stamp]
        self._channel = setting.spec.buses[record.bus].channel
        rules = [setting.rules[self.stream]]
        for field in record.fields:
            if field.type.name == name[1]:
                slots = {setting.plan.slot_of[ref.bus, ref.message] for ref in field.sources}
                rules += [setting.rules[slot] for slot in slots - {self.stream}]
        self.delay_ns = sum(delay_ns(rule) for rule in rules)
        limits = [rule.stale_after_ns for rule in rules if rule.stale_after_ns is not None]
        self.holds_ns = min(limits, default=-NEVER_NS)
        self._last = _nothing(self.holds_ns)

    def cut(self, view: View) -> None:
        """Forget what was before a hole that ends where the chunk begins."""
        if any(hole.channel == self._channel for hole in view.holes):
            self._last = _nothing(self.holds_ns)

    def take(self, view: View) -> BitSamples:
        """Go on with the samples of a chunk."""
        last, records = self._last, view.records.get(self.name[0])
        if records is None or not len(records):
            return last
        column = records.columns[self.name[1]]
        clock = np.concatenate((last.clock, records.clock_ns))
        told = np.concatenate((last.told, column.valid))
        on = np.concatenate((last.on, (column.values == 1) & column.valid))
        rows = np.concatenate((last.rows, records.frame - view.first_frame))
        goes_on = np.zeros(len(rows), np.bool_)
        goes_on[1:] = told[1:] & told[:-1] & (np.diff(clock) <= self.holds_ns)
        changed = np.zeros(len(rows), np.bool_)
        changed[1:] = goes_on[1:] & (on[1:] != on[:-1])
        begins = changed | ~goes_on
        begins[0] = True
        place = np.maximum.accumulate(np.where(begins, np.arange(len(rows)), 0))
        begun, sure = clock.copy(), changed.copy()
        begun[0], sure[0] = last.since_ns[0], last.sure[0]
        was_on = np.where(on, clock, NEVER_NS)
        was_on[0] = last.on_ns[0]
        maybe = np.where(on | changed | ~goes_on, clock, NEVER_NS)
        maybe[0] = last.maybe_ns[0]
        bits = BitSamples(
            rows, clock, told, on, changed, place, begun[place], sure[place],
            np.maximum.accumulate(was_on), np.maximum.accumulate(maybe), self.holds_ns,
        )  # fmt: skip
        self._last = _newest(bits)
        return bits


def delay_ns(rule: MessageRule) -> int:
    """Return how much later than in its sender something may show in a message, its jitter included.

    What is sent when it changes waits for the shortest gap between two frames.
    """
    wait_ns = rule.period_ns if rule.trigger is Trigger.CYCLIC else rule.minimum_gap_ns
    wait_ns = wait_ns or 0
    return wait_ns + wait_ns * TOLERATED[0] // TOLERATED[1] + (rule.latency_ns or 0)


def _newest(bits: BitSamples) -> BitSamples:
    """The last of some samples as the one before the next chunk."""
    return BitSamples(
        np.full(1, -1, np.intp), bits.clock[-1:], bits.told[-1:], bits.on[-1:], np.zeros(1, np.bool_),
        np.zeros(1, np.intp), bits.since_ns[-1:], bits.sure[-1:], bits.on_ns[-1:], bits.maybe_ns[-1:],
        bits.holds_ns,
    )  # fmt: skip


def _nothing(holds_ns: int) -> BitSamples:
    never, no = np.full(1, NEVER_NS), np.zeros(1, np.bool_)
    before, first = np.full(1, -1, np.intp), np.zeros(1, np.intp)
    return BitSamples(before, never, no, no, no, first, never, no, never, never, holds_ns)
