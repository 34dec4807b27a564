"""2. The counters that a spec promises, as the plan has them: whose frames each counts, and how."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.payload.counters import RollingCounter
from canmap.signals.sequences import LONGEST_NS, Counting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canmap.mapping.manual import CounterRule
    from canmap.mapping.model import MessageRule
    from canmap.mapping.refs import SignalRef
    from canmap.signals.plan import DecodePlan

SHORTEST_SILENCE_NS = 100_000_000  # in which a node may restart, where a message has no time of its own
MOST_LOST = 16  # steps of a counter that are taken for lost frames, where the spec names no number


@dataclass(frozen=True, slots=True)
class PromisedCounter:
    """A counter of a message, or one that several messages of a sender share.

    Attributes:
        rules: Of the messages.
        columns: The signal that holds it in each.
        counting: How it counts.
        largest_delta: The largest step that the spec accepts, None where it names none.
        selector: The multiplexer of whose values it counts each alone, None for none.
        on_change: A frame that is the one before once more does not count.
    """

    rules: tuple[MessageRule, ...]
    columns: tuple[int, ...]
    counting: Counting
    largest_delta: int | None = None
    selector: int | None = None
    on_change: bool = False

    @property
    def plain(self) -> bool:
        """Whether it counts the frames of one message, one up each, so that a difference tells all."""
        ring = self.counting.ring
        counts_frames = len(self.columns) == 1 and self.selector is None and not self.on_change
        return counts_frames and ring.step == 1 and not ring.left_out

    @property
    def name(self) -> str:
        """What sentences call whose counter it is: "SteerFeedback", "SteerNode"."""
        first = self.rules[0]
        return first.message.name if len(self.rules) == 1 else first.sender or first.message.name


def ring_of(rule: CounterRule, bits: int) -> RollingCounter:
    """Return the round of a counter of so many bits."""
    last = (1 << bits) - 1 if rule.wrap is None else rule.wrap
    return RollingCounter.between(rule.start, last, rule.step, rule.reserved)


def promised_counters(rules: Sequence[MessageRule], plan: DecodePlan) -> Iterator[PromisedCounter]:
    """Yield the counters of all messages; those of a sender that count alike are one."""
    shared: dict[tuple[str, str | None, RollingCounter], list[MessageRule]] = {}
    for rule in rules:
        if rule.counter is None:
            continue
        ring = ring_of(rule.counter, plan.columns[_column(rule.counter.signal, plan)].signal.bits)
        if rule.counter.per == "sender" and rule.sender is not None:
            shared.setdefault((rule.bus, rule.sender, ring), []).append(rule)
        else:
            yield _of_message(rule, rule.counter, ring, plan)
    for (_, _, ring), members in shared.items():
        yield _of_sender(tuple(members), ring, plan)


def _column(ref: SignalRef, plan: DecodePlan) -> int:
    return plan.column_of[ref.bus, ref.message, ref.signal]


def _of_message(
    rule: MessageRule, counter: CounterRule, ring: RollingCounter, plan: DecodePlan
) -> PromisedCounter:
    column = _column(counter.signal, plan)
    each_value = counter.per == "multiplexer"
    every = rule.relay_of.counts_every if rule.relay_of else 1
    stride = every % ring.values
    most = min(ring.values // 2, MOST_LOST) if every == 1 else max(ring.values // 2, 2 * stride)
    timed = not (each_value or counter.on_change)  # else its steps come at no known time
    counting = Counting(
        ring=ring,
        every=every,
        largest=counter.largest_delta or min(most, ring.values - 1),
        late=0,
        period_ns=(rule.period_ns or 0) if timed else 0,
        silence_ns=LONGEST_NS if each_value else rule.stale_after_ns or SHORTEST_SILENCE_NS,
    )
    selector = _selector(column, plan) if each_value else None
    return PromisedCounter((rule,), (column,), counting, counter.largest_delta, selector, counter.on_change)


def _of_sender(rules: tuple[MessageRule, ...], ring: RollingCounter, plan: DecodePlan) -> PromisedCounter:
    deltas = [rule.counter.largest_delta for rule in rules if rule.counter and rule.counter.largest_delta]
    largest = max(deltas, default=None)
    periods = [rule.period_ns for rule in rules]
    a_second = sum((Fraction(1, period) for period in periods if period), Fraction(0))
    counting = Counting(
        ring=ring,
        every=1,
        largest=largest or min(ring.values // 2, MOST_LOST),
        late=min(len(rules) - 1, max((ring.values - 2) // 4, 0)),
        period_ns=round(1 / a_second) if all(periods) else 0,
        silence_ns=min(rule.stale_after_ns or SHORTEST_SILENCE_NS for rule in rules),
    )
    columns = tuple(_column(rule.counter.signal, plan) for rule in rules if rule.counter)
    return PromisedCounter(rules, columns, counting, largest)


def _selector(column: int, plan: DecodePlan) -> int:
    """The multiplexer of a message: that of the counter itself where it has one, else the first."""
    own = plan.groups[plan.columns[column].group].selector
    if own is not None:
        return own
    slot = plan.slots[plan.columns[column].slot]
    return next(
        group.selector for number in slot.groups if (group := plan.groups[number]).selector is not None
    )
