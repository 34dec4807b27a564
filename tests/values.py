"""A kit whose values are judged against each other, its frames, and what a plain walk over them finds.

The walk goes from frame to frame with Python's own numbers, exactly, and looks back as far as it likes; it
knows nothing of chunks or columns. It is the measure of the checks of values.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tests.kits import row

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

REPORT, COMMAND, SPEED, PEDAL, PEDAL_B = 0x100, 0x200, 0x300, 0x400, 0x500
KIT = """\
BO_ 256 Report: 8 Node
 SG_ Angle : 0|16@1- (0.1,0) [0|0] "deg" Other
 SG_ State : 16|3@1+ (1,0) [0|0] "" Other
 SG_ Raw : 24|12@1+ (1,0) [0|0] "Nm" Other
BO_ 512 Command: 8 Node
 SG_ Angle : 0|16@1- (0.1,0) [0|0] "deg" Other
 SG_ Enable : 16|1@1+ (1,0) [0|0] "" Other
BO_ 768 Wheels: 8 Node
 SG_ Speed : 0|16@1- (0.1,0) [0|0] "km/h" Other
BO_ 1024 Pedal: 8 Node
 SG_ First : 0|8@1+ (0.5,0) [0|100] "%" Other
BO_ 1280 PedalB: 8 Node
 SG_ Second : 0|8@1+ (0.5,0) [0|100] "%" Other
"""
PERIOD_MS, STALE_MS = 10, 100
PERIODS_MS = dict.fromkeys((REPORT, COMMAND, SPEED, PEDAL, PEDAL_B), PERIOD_MS)
RECORDS = """\
records:
  steering:
    type: Steering
    stamp: Report
    wheel_angle:
      signal: Report.Angle
      slew: 133.7 deg/s
      range_by_speed: {speed: drive.speed, points: [[20 km/h, 10 deg], [0 km/h, 30 deg]], page: "7"}
      frozen: {longer_than: 25 ms, while: drive.speed, moves: 2 km/h}
    torque: {signal: Report.Raw, railed: {longer_than: 15 ms}, no_data: 0xFFE}
    state: {signal: Report.State, labels: {0: off, 3: active}}
  demand:
    type: SteeringDemand
    stamp: Command
    wheel_angle: Command.Angle
    enable: Command.Enable
  drive: {type: Drive, stamp: Wheels, speed: Wheels.Speed}
"""
AXES = """\
axes:
  steering: {report: steering.wheel_angle, demand: demand.wheel_angle, tolerance: 5 deg, within: 30 ms}
"""
REDUNDANT = """\
redundant:
  pedal: {signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 5 %, within: 20 ms}
"""
WHILE_SPEED, WHILE_DEMAND = (
    "while: drive.speed, moves: 2 km/h",
    "while: demand.wheel_angle, moves: 2 deg",
)
ACTIVE = 3
STEPS_MS = (0, 0, 1, 3, 5, 5, 10, 10, 10, 20, 60, 120)


def report(angle: float, raw: int = 100, state: int = ACTIVE, length: int = 8) -> bytes:
    """A payload of Report; angle in deg."""
    bits = (round(angle * 10) & 0xFFFF) | state << 16 | raw << 24
    return bits.to_bytes(8, "little")[:length]


def command(angle: float, enable: bool = True, length: int = 8) -> bytes:
    """A payload of Command; angle in deg."""
    return ((round(angle * 10) & 0xFFFF) | enable << 16).to_bytes(8, "little")[:length]


def speed(kmh: float, length: int = 8) -> bytes:
    """A payload of Wheels; speed in km/h."""
    return (round(kmh * 10) & 0xFFFF).to_bytes(8, "little")[:length]


def pedal(percent: float, length: int = 8) -> bytes:
    """A payload of Pedal or PedalB."""
    return round(percent * 2).to_bytes(8, "little")[:length]


@dataclass(frozen=True)
class Sent:
    """One frame: ms from the start, identifier, payload."""

    t_ms: int
    can_id: int
    data: bytes

    @property
    def row(self):
        """It for `streams.frames`."""
        return row(self.t_ms, self.can_id, self.data)

    def bits(self, start: int, bits: int, *, signed: bool = False) -> int | None:
        """A little-endian signal, None where the payload is too short for it."""
        if len(self.data) * 8 < start + bits:
            return None
        value = int.from_bytes(self.data, "little") >> start & (1 << bits) - 1
        return value - (1 << bits) if signed and value >> bits - 1 else value

    @property
    def tenths(self) -> int | None:
        """The signed first 16 bits."""
        return self.bits(0, 16, signed=True)


def stream(seed: int, count: int) -> list[Sent]:
    """A stream in which every value rests, moves a little or jumps, and some payloads are too short."""
    random = np.random.default_rng(seed)
    usual = int(random.choice([REPORT, PEDAL]))  # the one that is judged comes more often than what it is
    ids = [usual, usual, REPORT, COMMAND, SPEED, PEDAL, PEDAL_B]
    restless, still = random.choice([0.1, 0.5, 0.9]), random.random() < 0.6
    t_ms, at = 0, dict.fromkeys((*ids, "raw", "state"), 0)
    at["state"] = ACTIVE
    sent = []
    for _ in range(count):
        t_ms += int(random.choice(STEPS_MS))
        can_id = int(random.choice(ids))
        if random.random() < (0.02 if can_id == REPORT and still else restless):
            step = random.choice([-60, -34, -25, -1, 1, 13, 25, 35, 51])
            at[can_id] = int(np.clip(at[can_id] + step, 0, 400))
        if random.random() < 0.1:
            at["raw"] = int(random.choice([0, 100, 0xFFE, 0xFFF]))
            at["state"] = int(random.choice([ACTIVE, ACTIVE, 0, 5]))
        length = int(random.choice([8] * 12 + [0, 1, 2, 3, 5]))
        enabled = bool(random.random() < 0.95)
        payload = {
            REPORT: report(at[REPORT] / 10, at["raw"], at["state"], length),
            COMMAND: command(at[COMMAND] / 10, enabled, length),
            SPEED: speed(at[SPEED] / 10 - 20, length),
            PEDAL: pedal(at[PEDAL] / 4, length),
            PEDAL_B: pedal(at[PEDAL_B] / 8, length),
        }[can_id]
        sent.append(Sent(t_ms, can_id, payload))
    return sent


def steering_stream(seed: int) -> list[Sent]:
    """Reports and demands by turns: the demand moves, the angle rarely, the axis is mostly active."""
    random = np.random.default_rng(seed)
    asked, angle, sent = 0.0, 0.0, []
    state = ACTIVE
    for number in range(60):
        asked += float(random.choice([0, 0, 0, 1, 3]))
        angle += float(random.random() < 0.1)
        if random.random() < (0.1 if state == ACTIVE else 0.4):
            state = 0 if state == ACTIVE else ACTIVE
        sent += [
            Sent(10 * number, COMMAND, command(asked)),
            Sent(10 * number + 3, REPORT, report(angle, state=state)),
        ]
    return sent


@dataclass
class Stretch:
    """A fault: since when in ms, its faulty samples, its end; None: to the end."""

    start_ms: int
    count: int
    end_ms: int | None
    last: int = field(compare=False)


Verdict = tuple[int, bool, int]  # ms, whether it is wrong, since when it is


def stretches(verdicts: Iterable[Verdict]) -> list[Stretch]:
    """Faults of samples that are wrong or right, in their order; three right ones part two."""
    found: list[Stretch] = []
    for place, (t_ms, wrong, since_ms) in enumerate(verdicts):
        last = found[-1] if found else None
        if wrong and last and place - last.last <= 3:
            last.count, last.end_ms, last.last = last.count + 1, None, place
        elif wrong:
            found.append(Stretch(since_ms, 1, None, place))
        elif last and last.end_ms is None:
            last.end_ms = t_ms
    return found


def newest(sent: list[Sent], place: int, can_id: int) -> Sent | None:
    """The newest frame of an identifier up to a place, its own included."""
    return next((one for one in reversed(sent[: place + 1]) if one.can_id == can_id), None)


def speed_at(sent: list[Sent], place: int) -> Fraction | None:
    """The speed in km/h that holds at a frame."""
    return _newest_tenths(sent, place, SPEED)


def _newest_tenths(sent: list[Sent], place: int, can_id: int) -> Fraction | None:
    frame = newest(sent, place, can_id)
    if frame is None or frame.tenths is None or sent[place].t_ms - frame.t_ms > STALE_MS:
        return None
    return Fraction(frame.tenths, 10)


def slew(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the angle changed too fast from one value to the next, or steadily over ten of them."""
    reports = [one for one in sent if one.can_id == REPORT and one.tenths is not None]

    def too_fast(place: int, apart: int) -> bool:
        if place < apart:
            return False
        now, before = reports[place], reports[place - apart]
        passed_ms = max(now.t_ms - before.t_ms, apart * PERIOD_MS) + PERIOD_MS
        allowed = Fraction(1337, 10_000) * passed_ms + Fraction(1, 10)
        return Fraction(abs((now.tenths or 0) - (before.tenths or 0)), 10) > allowed

    for place, one in enumerate(reports):
        steps = [too_fast(earlier, 1) for earlier in range(max(place - 9, 0), place + 1)]
        yield one.t_ms, steps[-1] or (not any(steps) and too_fast(place, 10)), one.t_ms


def range_by_speed(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the angle is beyond 30 deg at rest, 10 deg from 20 km/h on."""
    for place, one in enumerate(sent):
        if one.can_id == REPORT and one.tenths is not None:
            kmh = speed_at(sent, place)
            if kmh is not None:
                limit = 30 - min(abs(kmh), 20)
                yield one.t_ms, abs(Fraction(one.tenths, 10)) > limit, one.t_ms


def frozen(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the angle is the same for over 25 ms after the speed moved by over 2 km/h."""
    yield from _frozen(sent, lambda place: speed_at(sent, place), lambda _place: True)


def frozen_while_active(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the angle of an active axis is the same for over 25 ms after its demand moved by over 2 deg."""

    def asked(place: int) -> Fraction | None:
        return _newest_tenths(sent, place, COMMAND)

    def is_active(place: int) -> bool:
        return sent[place].bits(16, 3) == ACTIVE

    yield from _frozen(sent, asked, is_active)


def _frozen(
    sent: list[Sent], related: Callable[[int], Fraction | None], judged: Callable[[int], bool]
) -> Iterator[Verdict]:
    run: list[tuple[Sent, Fraction | None]] = []
    for place, one in enumerate(sent):
        if one.can_id != REPORT or one.tenths is None:
            continue
        if not judged(place):
            run = []
            yield one.t_ms, False, one.t_ms
            continue
        if run and (run[-1][0].tenths != one.tenths or one.t_ms - run[-1][0].t_ms > STALE_MS):
            run = []
        run.append((one, related(place)))
        moved_ms, values = None, []
        for frame, value in run:
            values += [] if value is None else [value]
            if moved_ms is None and values and max(values) - min(values) > 2:
                moved_ms = frame.t_ms
        yield one.t_ms, moved_ms is not None and one.t_ms - moved_ms > 25, run[0][0].t_ms


def lasting(samples: Iterable[tuple[int, bool]], longer_than_ms: int) -> Iterator[Verdict]:
    """What holds for too long is wrong, what does not hold right, and the rest is neither."""
    since_ms = last_ms = None
    for t_ms, holds in samples:
        if not holds:
            since_ms = None
            yield t_ms, False, t_ms
        else:
            if since_ms is None or last_ms is None or t_ms - last_ms > STALE_MS:
                since_ms = t_ms
            if t_ms - since_ms > longer_than_ms:
                yield t_ms, True, since_ms
        last_ms = t_ms


def railed(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the 12 bits are all zeros or all ones for over 15 ms; 0xFFE is no value."""
    raws = [(one.t_ms, one.bits(24, 12)) for one in sent if one.can_id == REPORT]
    yield from lasting([(t, raw in {0, 0xFFF}) for t, raw in raws if raw not in {None, 0xFFE}], 15)


def disagree(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether the first pedal and twice the second are over 5 % apart for over 20 ms."""
    samples = []
    for place, one in enumerate(sent):
        other = newest(sent, place, PEDAL_B) if one.can_id == PEDAL else None
        if other is not None and one.t_ms - other.t_ms <= STALE_MS:
            first, second = one.bits(0, 8), other.bits(0, 8)
            if first is not None and second is not None:
                samples.append((one.t_ms, Fraction(abs(first - 2 * second), 2) > 5))
    yield from lasting(samples, 20)


def tracking(sent: list[Sent]) -> Iterator[Verdict]:
    """Whether an active axis is over 5 deg from all demands of the last 30 ms."""
    active_ms = None
    for place, one in enumerate(sent):
        if one.can_id != REPORT:
            continue
        if one.bits(16, 3) != ACTIVE:
            active_ms = None
            continue
        active_ms = one.t_ms if active_ms is None else active_ms
        demands = [other for other in sent[:place] if other.can_id == COMMAND]
        since_ms = one.t_ms - 30
        in_force = [other for other in demands if other.t_ms > since_ms]
        earlier = [other for other in demands if other.t_ms <= since_ms]
        span = earlier[-1:] + in_force
        if not earlier or one.tenths is None or one.t_ms - active_ms < 30:
            continue
        times = [other.t_ms for other in span] + [one.t_ms]
        asked = [other.tenths if other.bits(16, 1) else None for other in span]
        if None in asked or max(b - a for a, b in pairwise(times)) > STALE_MS:
            continue
        off = max(min(asked) - one.tenths, one.tenths - max(asked))
        yield one.t_ms, off > 50, one.t_ms


TWINS = {
    "slew": slew,
    "range_by_speed": range_by_speed,
    "tracking": tracking,
    "disagree": disagree,
    "frozen": frozen,
    "railed": railed,
}
