"""What is found of a watchdog is what a plain walk over the frames finds, as `specs/README.md` tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from hypothesis import given
from hypothesis import strategies as st

from canmap.findings.finding import Severity
from tests.counter_twin import CounterTwin, Seen
from tests.kits import row
from tests.property.test_state_cuts import drives, kit
from tests.streams import MS, frames, inspected

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk

ACTIVE = 3
WATCHDOG_NS, SENT_EVERY_NS, SHOWN_EVERY_NS = 60 * MS, 20 * MS, 10 * MS
SLACK_NS = SHOWN_EVERY_NS + SHOWN_EVERY_NS // 5  # a period of the state, and the jitter of one
SILENT_NS = 100 * MS  # over which nothing is judged
HELD_NS = 30 * MS
HOLDS = "    reaction: {first: hold, for: 30 ms}\n"
OVERRIDDEN = 4
GONE_NS = 5 * SENT_EVERY_NS // 2  # after which a demand is gone


class LetGo(NamedTuple):
    """The axis left active after its demand had gone: when, how long after, and whether too early."""

    at_ns: int
    after_ns: int
    severity: Severity


class Walk:
    """A walk over the frames, one by one."""

    def __init__(self, holds: bool) -> None:
        self.held_ns = HELD_NS if holds else 0
        demand = next(rule for rule in kit().messages if rule.message.name == "Command")
        self.counter = CounterTwin(
            [0, 1, 2, 3], largest=2, period_ns=SENT_EVERY_NS, silence_ns=demand.stale_after_ns or 0
        )
        self.clock = self.shown_ns = 0
        self.fed_ns: int | None = None
        self.since_ns: int | None = None
        self.state: int | None = None
        self.bad, self.asked, self.was_late = 2, False, False
        self.late: list[int] = []
        self.ends: list[int] = []  # what it came to when it let go at last
        self.let_go: list[LetGo] = []

    def of(self, chunk: FrameChunk) -> Walk:
        for t_ns, can_id, payload in zip(
            chunk.t_ns.tolist(), chunk.can_id.tolist(), chunk.payload.tolist(), strict=True
        ):
            self.clock = max(self.clock, t_ns)
            if can_id == 0x200:
                self.demand(payload, t_ns)
            elif can_id == 0x100:
                self.show(payload[0] & 0xF)
        return self

    def demand(self, payload: list[int], t_ns: int) -> None:
        failed = self.counter.judge(Seen(payload[2] & 3, t_ns)).wrong == "REPEATED"
        if not failed:
            self.asked = payload[0] & 1 == 1
        self.bad = self.bad + 1 if failed or payload[1] > 100 else 0
        if self.bad <= 1:  # one bad frame in a row is tolerated, once a good one came
            self.fed_ns = self.clock

    def show(self, state: int) -> None:
        anew = self.state is None or self.clock - self.shown_ns > SILENT_NS
        was_active, since_ns = self.since_ns is not None, self.since_ns
        if state != ACTIVE:
            self.since_ns = None
        elif anew or not was_active:
            self.since_ns = self.clock
        changed = not anew and state != self.state
        self.state, self.shown_ns = state, self.clock
        if self.fed_ns is None:
            return
        gone_ns, watched_ns = self.clock - self.fed_ns, self.fed_ns + SLACK_NS
        is_late = (
            self.since_ns is not None
            and self.since_ns <= watched_ns
            and gone_ns > WATCHDOG_NS + self.held_ns + SLACK_NS
        )
        if is_late:
            self.late.append(gone_ns)
        elif self.was_late and not anew:
            self.ends.append(gone_ns)
        left = since_ns is not None and since_ns <= watched_ns and changed and state != ACTIVE
        if left and not self.was_late and gone_ns > GONE_NS and self.asked:
            held_ns = 0 if state == OVERRIDDEN else self.held_ns
            early = gone_ns < WATCHDOG_NS + held_ns - SLACK_NS - SENT_EVERY_NS
            severity = Severity.WARNING if early else Severity.NOTE
            self.let_go.append(LetGo(self.clock, gone_ns, severity))
        self.was_late = is_late


def check(chunk: FrameChunk, holds: bool = False) -> Walk:
    walk = Walk(holds).of(chunk)
    found = [
        one for one in inspected([chunk], kit(HOLDS * holds))[0].findings if one.kind.value == "watchdog"
    ]
    late = [one for one in found if one.severity is Severity.ERROR]
    assert sum(one.count for one in late) == len(walk.late)
    assert {one.value for one in late} <= {gone_ns / 1e9 for gone_ns in (*walk.late, *walk.ends)}
    let_go = {(one.start_ns, one.value, one.severity) for one in found if one not in late}
    assert let_go == {(one.at_ns, one.after_ns / 1e9, one.severity) for one in walk.let_go}
    return walk


@given(drives(), st.booleans())
def test_a_plain_walk_finds_the_same(chunk: FrameChunk, holds: bool) -> None:
    check(chunk, holds)


def test_both_find_late_and_in_time() -> None:
    def stream(let_go_ms: int) -> FrameChunk:
        rows = [row(20 * i + 3, 0x200, bytes([1, 10, i % 4, *bytes(5)])) for i in range(10)]
        states = [3 if 10 * i < 183 + let_go_ms else 2 for i in range(40)]
        return frames(
            sorted([*rows, *(row(10 * i, 0x100, bytes([one, *bytes(7)])) for i, one in enumerate(states))])
        )

    assert len(check(stream(150)).late) > 3
    assert [one.severity for one in check(stream(64)).let_go] == [Severity.NOTE]
    assert not check(stream(-30)).let_go  # the demand was still there
    assert [one.severity for one in check(stream(64), holds=True).let_go] == [Severity.NOTE]
    assert [one.severity for one in check(stream(54), holds=True).let_go] == [Severity.WARNING]
