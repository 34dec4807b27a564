"""Atoms of values: voltages, and sensors against each other and against what the vehicle does."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.facts.last_bits import stood_still
from canmap.diagnosis.facts.strain import strained
from canmap.diagnosis.onsets import axis_changes, withdrawals
from canmap.vocabulary.record_types import AxisState, Brake, Drive, Steering, Wheels, field_types

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.findings.finding import Finding
    from canmap.mapping.override_rules import OverrideRule

DIP = 0.85  # of the voltage before
STEADY = 0.05
OFTEN_NS = 60 * MS  # samples further apart do not see a short dip, and so tell nothing
LEAST_USUAL = 2  # samples; a slow message has no more in the time that is looked at
BEFORE_DIP_NS, DIP_NS = 1_500 * MS, 1_200 * MS  # the dip itself is looked for this long before the begin
TAKEN_NS = 1_000 * MS  # before an override, in which a demand that was taken back explains it
HELD_NS = 600 * MS  # for which an override is looked at
HAND = 0.3  # N m, by which the torque of a hand varies; common practice
LEAST_SAMPLES = 10
ANGLE_KNOWN_NS = 200 * MS  # for which an angle stays known
LED_NS = 130 * MS  # before an override, in which its torque is looked at: kits take about 100 ms
INERTIA = 0.8  # from which on a torque goes against the acceleration
MOVING_MPS = 0.5
YAW_APART, YAW_AGREES = 0.012, 0.006  # rad/s
YAW_BEND = 0.15  # of the yaw rate in a bend: what is less apart agrees
NOT_YET_BEGUN_NS = 3_000 * MS  # before something is noticed, in which it may not yet have begun
YAW_TIMES = 0.3  # so far from one, one of the two is scaled
YAW_MOVED, YAW_FITS = 0.01, 0.9  # rad/s, standard deviation; correlation from which on a factor is told
KIND_OF = {
    "disagree": "apart",
    "railed": "apart",
    "frozen": "frozen",
    "slew": "jumped",
    "out_of_range": "at_its_end",
    "tracking": "not_followed",
}


def supply(case: CaseFile) -> Iterator[Evidence]:
    """Voltages of nodes and of the vehicle just before the begin, against before."""
    for number, column in enumerate(case.plan.columns):
        if column.signal.unit != "V" or case.doubled(column.slot):
            continue
        clock, volts = case.samples(number)
        usual = usual_voltage(case, number)
        near = (clock >= case.begin_ns - DIP_NS) & (clock <= case.begin_ns + 100 * MS)
        if usual is None or not near.any():
            continue
        lowest = float(volts[near].min())
        dipped = lowest < DIP * usual
        often = np.diff(clock[near], append=case.begin_ns).max() <= OFTEN_NS
        steady = bool(often) and abs(lowest - usual) <= STEADY * usual
        if dipped or steady:
            role = case.roles[column.slot]
            rule = case.rules[column.slot]
            yield Evidence(
                atom=Atom.SUPPLY,
                value="dipped" if dipped else "steady",
                role=role if role is Role.KIT else Role.OTHER,
                subject=f"{rule.message.name}.{column.signal.name}",
                from_ns=int(clock[near][volts[near].argmin()]),
                to_ns=case.begin_ns,
                amount=lowest,
            )


def usual_voltage(case: CaseFile, column: int) -> float | None:
    """Return the median of a voltage before an episode; None where too little came."""
    clock, volts = case.samples(column)
    usual = volts[(clock >= case.window.from_ns) & (clock < case.begin_ns - BEFORE_DIP_NS)]
    return float(np.median(usual)) if len(usual) >= LEAST_USUAL else None


def physics(case: CaseFile) -> Iterator[Evidence]:
    """Overrides, sensors that disagree, freeze or jump, and yaw by the wheels against yaw by the steering."""
    for override in case.spec.manual.overrides:
        yield from _override(case, override)
    for finding in case.findings(*KIND_OF):
        place = finding.place
        if _is_demand(case, finding) or _is_doubled(case, finding):
            continue  # a demand says nothing of a sensor, nor do two senders by turns
        subject = f"{place.record}.{place.field}" if place.record else f"{place.message}.{place.signal}"
        yield Evidence(
            atom=Atom.PHYSICS,
            value=KIND_OF[finding.kind],
            role=Role.SENSOR,
            subject=subject,
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            line=finding.line,
            amount=finding.value,
        )
    if (held := strained(case)) is not None:
        yield Evidence(
            atom=Atom.PHYSICS,
            value="strains",
            role=Role.KIT,
            subject=held.signal,
            from_ns=held.from_ns,
            to_ns=held.to_ns,
            amount=held.current,
        )
    stood = stood_still(case)
    if stood is not None:
        yield Evidence(
            atom=Atom.PHYSICS,
            value="last_bits_stood",
            role=Role.SENSOR,
            subject=stood.record,
            from_ns=stood.from_ns,
            to_ns=stood.to_ns,
            amount=float(stood.samples),
        )
    # An old value may be near the right one: that it agrees says nothing then.
    yield from (one for one in _yaw(case) if stood is None or one.value != "yaw_agrees")


def _is_demand(case: CaseFile, finding: Finding) -> bool:
    """Whether a finding is about a value that is asked for."""
    if finding.kind in {"tracking", "frozen"}:
        return False
    asked = {(one.message.bus, one.message.message) for one in case.spec.manual.demands}
    named = finding.place.bus, finding.place.message
    return named in asked or (finding.kind == "slew" and not finding.place.record)


def _is_doubled(case: CaseFile, finding: Finding) -> bool:
    """Whether the frames that a finding is about came twice as often as promised."""
    named = finding.place.bus, finding.place.message
    slots = [slot for slot, rule in enumerate(case.rules) if (rule.bus, rule.message.name) == named]
    return bool(slots) and case.doubled(slots[0]) is not None


def _override(case: CaseFile, rule: OverrideRule) -> Iterator[Evidence]:
    ref = rule.signal
    clock, values = case.samples(case.plan.column_of[ref.bus, ref.message, ref.signal])
    inside = (clock >= case.begin_ns - 1_000 * MS) & (clock <= case.begin_ns + HELD_NS)
    clock, values = clock[inside], values[inside]
    past = (values > float(rule.left)) | (values < -float(rule.right))
    if not past.any():
        return
    first = int(past.argmax())
    left_ns = [one.clock_ns for one in axis_changes(case.result) if one.before is AxisState.ACTIVE]
    if any(case.begin_ns - 50 * MS <= at_ns < clock[first] for at_ns in left_ns):
        return  # who takes over because an axis let go has not made it let go
    if _is_taken_back(case, int(clock[first])):
        return  # nor has who takes over what the computer took back before
    held = values[past]
    role = Role.PEDAL if _is_pedal(case, rule) else Role.STEERING_WHEEL
    spread = float(held.std())
    worst = float(held[np.abs(held).argmax()])
    past_threshold = Evidence(
        atom=Atom.PHYSICS,
        value="past_threshold",
        role=role,
        subject=f"{ref.message}.{ref.signal}",
        from_ns=int(clock[first]),
        to_ns=int(clock[-1]),
        amount=worst,
    )
    yield past_threshold
    if role is not Role.STEERING_WHEEL:
        return
    until_ns = min((at_ns for at_ns in left_ns if at_ns > clock[first]), default=int(clock[-1]))
    against = _against_acceleration(case, until_ns)
    if against is not None and against >= INERTIA:
        yield replace(past_threshold, value="follows_acceleration", amount=against)
    elif len(held) >= LEAST_SAMPLES:
        yield replace(past_threshold, value="varies" if spread > HAND else "constant", amount=spread)


def _is_taken_back(case: CaseFile, at_ns: int) -> bool:
    """Whether the computer had taken a demand back shortly before, and still does not ask."""
    return any(
        at_ns - TAKEN_NS <= one.clock_ns < at_ns
        and (one.held_ns is None or one.clock_ns + one.held_ns > at_ns)
        for one in withdrawals(case.result)
    )


def _against_acceleration(case: CaseFile, until_ns: int) -> float | None:
    """How much the torque before an override went against the wheel's acceleration, -1 to 1; None: not known.

    Near 1 it is the inertia of what is beyond the sensor, ``T = -J a``; a hand pulls the wheel its way.
    """
    steering = _record(case, Steering)
    if steering is None or not {"torque", "wheel_rate"} <= steering[1].keys():
        return None
    clock, fields = steering
    inside = (clock >= until_ns - LED_NS) & (clock < until_ns)
    clock, rate, torque = clock[inside], fields["wheel_rate"][inside], fields["torque"][inside]
    if len(clock) < LEAST_SAMPLES:
        return None
    acceleration = np.gradient(rate, clock / 1e9)
    size = float(np.linalg.norm(torque) * np.linalg.norm(acceleration))
    return -float(torque @ acceleration) / size if size > 0 else None


def _is_pedal(case: CaseFile, rule: OverrideRule) -> bool:
    return any(
        rule.signal in field.sources
        for record in case.spec.records
        if issubclass(record.type, Brake | Drive)
        for field in record.fields
    )


class _Yaw(NamedTuple):
    """The yaw rate that the wheels tell against the one that the steering asks for, over a span.

    Attributes:
        apart: Mean of the difference, rad/s.
        times: By how many times the one turns faster than the other; None where the steering hardly moved.
        asked: Mean of what the steering asks for, without its sign, rad/s.
    """

    apart: float
    times: float | None
    asked: float = 0.0


def _yaw(case: CaseFile) -> Iterator[Evidence]:
    """The yaw rate that the rear wheels tell against the one that the steering asks for, before and after."""
    before = _yaw_over(case, case.begin_ns - 4_000 * MS, case.begin_ns - 300 * MS)
    after = _yaw_over(case, case.begin_ns + 300 * MS, case.begin_ns + 8_000 * MS)
    if after is None:
        return
    early = _yaw_over(case, case.begin_ns - 4_000 * MS, case.begin_ns - NOT_YET_BEGUN_NS)
    before = before or _Yaw(0.0, None)  # at rest, as far as anybody knows
    if _compared(before, after)[0] == "yaw_other_before" and early is not None and _is_right(early):
        return  # it began some time before it was noticed, so neither span is of before or after alone
    told = [_compared(before, after)]
    told += [("yaw_not_scaled", after.times or 0.0)] if _is_one(after.times) else []
    told += [("yaw_one_before", before.times or 0.0)] if _is_one(before.times) else []
    for value, amount in told:
        if not value:
            continue
        yield Evidence(
            atom=Atom.PHYSICS,
            value=value,
            role=Role.SENSOR,
            from_ns=case.begin_ns,
            to_ns=case.begin_ns + 8_000 * MS,
            amount=amount,
        )


def _compared(before: _Yaw, after: _Yaw) -> tuple[str, float]:
    """What two spans tell, and the figure that goes with it; "" where they tell nothing."""
    change = abs(after.apart - before.apart)
    if abs(before.apart) > YAW_APART or not _is_one(before.times, 1.0):
        return "yaw_other_before", abs(before.apart)
    if not _is_one(after.times, 1.0):
        return "yaw_scaled", after.times or 0.0
    if change >= YAW_APART:
        return "yaw_shifted", change
    return ("yaw_agrees", change) if change < YAW_AGREES else ("", 0.0)


def _is_right(yaw: _Yaw) -> bool:
    """Whether wheels and steering surely agreed: in a bend, or while the steering moved."""
    close = abs(yaw.apart) <= max(YAW_AGREES, YAW_BEND * yaw.asked)
    return close and (_is_one(yaw.times) or yaw.asked >= YAW_APART / YAW_BEND)


def _is_one(times: float | None, unknown: float = 0.0) -> bool:
    return abs((unknown if times is None else times) - 1) <= YAW_TIMES


def _yaw_over(case: CaseFile, from_ns: int, to_ns: int) -> _Yaw | None:
    """None where geometry, wheels, angle or speed are missing."""
    geometry = case.spec.geometry
    steering, wheels = _record(case, Steering), _record(case, Wheels)
    if steering is None or wheels is None or not (geometry.track and geometry.wheelbase):
        return None
    road = _road_angle(steering[1], geometry.steering_ratio)
    if not {"rear_left", "rear_right"} <= wheels[1].keys() or road is None:
        return None
    clock, rear = wheels[0], wheels[1]
    left, right = rear["rear_left"], rear["rear_right"]
    speed = (left + right) / 2
    angle = np.interp(clock, steering[0], road) if len(steering[0]) else speed * np.nan
    known = np.isfinite(angle) & (_since_last(clock, steering[0]) <= ANGLE_KNOWN_NS)
    inside = (clock >= from_ns) & (clock <= to_ns) & (speed > MOVING_MPS) & known
    if np.count_nonzero(inside) < LEAST_SAMPLES:
        return None
    told = (right - left)[inside] / geometry.track
    asked = speed[inside] * np.tan(angle[inside]) / geometry.wheelbase
    spread = float(np.std(told)), float(np.std(asked))
    moved = max(spread) >= YAW_MOVED and min(spread) > 0
    times = float(np.cov(told, asked)[0, 1] / spread[1] ** 2) if moved else None
    fits = moved and abs(float(np.corrcoef(told, asked)[0, 1])) >= YAW_FITS
    mean = float(np.abs(asked).mean())
    return _Yaw(float(np.mean(told - asked)), times if fits else None, mean)


def _since_last(clock: NDArray[np.int64], told: NDArray[np.int64]) -> NDArray[np.int64]:
    """How long before each moment something was told last, ns; long where it never was."""
    last = told.searchsorted(clock, "right") - 1
    return np.where(last >= 0, clock - told[last.clip(0)], 2 * ANGLE_KNOWN_NS) if len(told) else clock


def _road_angle(steering: dict[str, NDArray[np.float64]], ratio: float | None) -> NDArray[np.float64] | None:
    """The angle of the road wheels, rad, as told or by the steering wheel."""
    if "road_angle" in steering:
        return steering["road_angle"]
    return steering["wheel_angle"] / ratio if ratio and "wheel_angle" in steering else None


def _record(case: CaseFile, kind: type) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]] | None:
    """The clock and the fields of the first record of a kind, where all of them are valid."""
    for rule in case.spec.records:
        chunk = case.window.records.get(rule.name)
        if not issubclass(rule.type, kind) or chunk is None:
            continue
        types = field_types(rule.type)
        numbers = {n: c for n, c in chunk.columns.items() if types[n].kind is float and c.valid.any()}
        if not numbers:
            return None
        valid = np.logical_and.reduce([column.valid for column in numbers.values()])
        return chunk.clock_ns[valid], {
            name: column.values[valid].astype(np.float64) for name, column in numbers.items()
        }
    return None
