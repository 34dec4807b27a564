"""Values outside the limits of the spec or of the description, compared in raw counts."""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.findings.finding import Severity
from canmap.signals.plan import ColumnKind
from canmap.signals.values import Quantity, Scaling, StraightLine
from tests.kits import HEAD, of_kind, row, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection


def judged(
    spec: Spec, payloads: Iterable[bytes], keep: Iterable[str] = ()
) -> tuple[Inspection, list[Finding]]:
    """One frame every 10 ms with these payloads."""
    result, _ = inspected([frames(row(10 * i, data=data) for i, data in enumerate(payloads))], spec, keep)
    return result, of_kind(result, "out_of_range")


def tick(*signals: str) -> str:
    return "BO_ 256 Tick: 8 Node\n" + "".join(f" SG_ {signal} Other\n" for signal in signals)


def little(*values: int, size: int = 2) -> bytes:
    return b"".join(value.to_bytes(size, "little", signed=value < 0) for value in values).ljust(8, b"\0")


VOLTS = "records:\n  battery: {{type: Battery, stamp: Tick, voltage: {{signal: Tick.V, {}}}}}\n"


def test_a_value_on_its_limit_is_inside_whatever_floats_say(tmp_path: Path) -> None:
    # 7 * 0.1 is 0.7000000000000001 as a float, and 0.7 exactly as counts.
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (0.1,0) [0|0.7] "V"'))
    assert judged(spec, [little(7)])[1] == []
    _, (finding,) = judged(spec, [little(7), little(8), little(7)])
    assert (finding.value, finding.limit) == (pytest.approx(0.8), pytest.approx(0.7))
    assert finding.text == "Tick.V was 0.8 V, above its limit of 0.7 V."
    assert finding.severity is Severity.ERROR
    assert finding.line == 2


def test_the_span_is_from_the_first_bad_sample_to_the_first_good_one(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|100] "V"'))
    result, (finding,) = judged(spec, [little(v) for v in (50, 101, 300, 200, 100, 100, 100)])
    assert span_ms(result, finding) == (10, 40)
    assert (finding.count, finding.value) == (3, 300)


@pytest.mark.parametrize(("raw", "inside"), [(0, True), (70, True), (-70, True), (71, False), (-71, False)])
def test_a_negative_factor_swaps_the_limits(tmp_path: Path, raw: int, inside: bool) -> None:
    # -7 to 7 V at -0.1 V a count is -70 to 70 counts.
    spec = spec_of(tmp_path, tick('V : 0|16@1- (-0.1,0) [-7|7] "V"'))
    found = judged(spec, [little(raw)])[1]
    assert (found == []) == inside
    for finding in found:
        assert finding.value == pytest.approx(-0.1 * raw)
        assert finding.limit == (-7 if raw > 0 else 7)


SUM = tick('Coarse : 0|16@1- (1.5,0) [-600|600] "deg"', 'Fine : 16|8@1- (0.1,0) [-2|2] "deg"')
ANGLE = """\
records:
  steering:
    type: Steering
    stamp: Tick
    wheel_angle: {sum: [Tick.Coarse, Tick.Fine], range: [-540 deg, 540 deg]}
"""


@pytest.mark.parametrize(
    ("coarse", "fine", "inside"),
    [
        (360, 0, True),  # 360 * 1.5 = 540
        (359, 15, True),  # 538.5 + 1.5 = 540
        (359, 16, False),  # 540.1
        (-359, -15, True),
        (-360, -1, False),  # -540.1
    ],
)
def test_a_sum_is_compared_on_the_common_step_of_its_scales(
    tmp_path: Path, coarse: int, fine: int, inside: bool
) -> None:
    found = judged(spec_of(tmp_path, SUM, ANGLE), [struct.pack("<hbxxxxx", coarse, fine)])[1]
    assert (found == []) == inside
    for finding in found:
        place = finding.place
        assert (place.record, place.field, place.signal) == ("steering", "wheel_angle", None)
        assert finding.text.startswith("steering.wheel_angle was ")  # its signals alone say nothing of it
        assert abs(finding.value or 0) == pytest.approx(math.radians(540.1), rel=1e-12)
        assert abs(finding.limit or 0) == pytest.approx(3 * math.pi, rel=1e-12)
        assert "540.1 deg" in finding.text
        assert "540 deg" in finding.text


def test_a_sum_on_its_limit_is_inside_whatever_floats_say(tmp_path: Path) -> None:
    # 0.1 + 0.2 is 0.30000000000000004 as floats, one step above 0.3, and 0.3 exactly as fractions.
    kit = tick('A : 0|8@1+ (0.1,0) [0|0] "V"', 'B : 8|8@1+ (0.1,0) [0|0] "V"')
    field = "records: {battery: {type: Battery, stamp: Tick, voltage: {sum: [Tick.A, Tick.B], range: %s}}}\n"
    for limits in ("[0 V, 0.3 V]", "[0.3 V, 1 V]"):
        assert told(judged(spec_of(tmp_path, kit, field % limits), [little(1, 2, size=1)])[1]) == []
    assert len(judged(spec_of(tmp_path, kit, field % "[0 V, 0.3 V]"), [little(2, 2, size=1)])[1]) == 1


def test_the_range_of_the_spec_goes_before_that_of_the_description(tmp_path: Path) -> None:
    description = tick('V : 0|16@1+ (1,0) [0|100] "V"')
    wide = spec_of(tmp_path, description, VOLTS.format("range: [0 V, 200 V]"))
    assert judged(wide, [little(150)])[1] == []
    narrow = spec_of(tmp_path, description, VOLTS.format("range: [0 V, 48 V]"))
    _, (finding,) = judged(narrow, [little(60)])
    assert finding.text == "battery.voltage (Tick.V) was 60 V, above its limit of 48 V from the start."
    no_range = spec_of(tmp_path, description, VOLTS.format("range: none"))
    assert judged(no_range, [little(60000)])[1] == []


def test_a_range_of_the_description_is_named_with_the_field_it_makes(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|100] "mV"'), VOLTS.format("sign: -1"))
    _, (finding,) = judged(spec, [little(0), little(150)])
    assert (finding.place.record, finding.place.signal) == ("battery", "V")
    assert (finding.value, finding.limit) == pytest.approx((-0.15, -0.1))  # in the record's unit and sign
    # In words the kit's manual uses: what the signal says, in its own unit.
    assert "150 mV" in finding.text
    assert "100 mV" in finding.text


def test_an_empty_range_promises_nothing(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|0] "V"', 'W : 16|16@1- (1,0) [0.0|0.0] "V"'))
    assert judged(spec, [little(60000, -3)])[1] == []


def test_codes_that_are_no_data_are_looked_at_first(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|100] "V"'), VOLTS.format("no_data: 0xFFFF"))
    assert judged(spec, [little(0xFFFF)])[1] == []
    # They neither end a fault nor part it: 200, no data, no data, no data, 300 is one finding of two samples.
    nothing = little(0xFFFF)
    result, (finding,) = judged(spec, [little(200), nothing, little(300), nothing, little(50)])
    assert finding.count == 2
    assert span_ms(result, finding) == (0, 40)


def test_a_table_is_judged_by_what_comes_out(tmp_path: Path) -> None:
    # 0 to 10 V in is 0 to 100 V out, held beyond the ends.
    table = "table: [[0 V, 0 V], [10 V, 100 V]], range: [0 V, 50 V]"
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|0] "V"'), VOLTS.format(table))
    assert judged(spec, [little(5)])[1] == []
    _, (finding,) = judged(spec, [little(6)])
    assert finding.value == pytest.approx(60)


@pytest.mark.parametrize(
    ("raw", "exact"),
    # -10 to 0 rises by 1/100 a count, 0 to 10 by 5/100; beyond its ends these hold.
    [(-11, "0.1"), (-10, "0.1"), (-5, "0.15"), (0, "0.2"), (4, "0.4"), (10, "0.7"), (11, "0.7")],
)
def test_a_table_is_worked_out_exactly_at_and_beyond_its_points(raw: int, exact: str) -> None:
    points = tuple((Fraction(at), Fraction(to)) for at, to in ((-10, "0.1"), (0, "0.2"), (10, "0.7")))
    same = StraightLine.of(Fraction(1), Fraction(0))
    part = Scaling(ColumnKind.INTEGER, bits=16, signed=True, line=same)
    quantity = Quantity((0,), (part,), same, points, np.array(points, np.float64).T, 2.0**16)
    assert quantity.exact([raw]) == Fraction(exact)
    assert quantity.values([np.array([raw])])[0] == pytest.approx([float(exact)])


def test_values_at_and_beyond_the_ends_of_a_table_are_inside_a_range_that_ends_there(tmp_path: Path) -> None:
    table = "table: [[-10 V, 0.1 V], [0 V, 0.2 V], [10 V, 0.7 V]], range: [0.1 V, 0.7 V]"
    spec = spec_of(tmp_path, tick('V : 0|16@1- (1,0) [0|0] "V"'), VOLTS.format(table))
    assert told(judged(spec, [little(v) for v in (-11, -10, 0, 10, 11)])[1]) == []


@pytest.mark.parametrize(("top", "limit"), [("1", "0.32"), ("10000", "3200")])
def test_the_rounding_of_a_large_number_counts_behind_a_table_too(
    tmp_path: Path, top: str, limit: str
) -> None:
    # 4000000032 * 0.1 is 400000003.20000005 as a float, 5e-8 above it; times the slope of 1/10 or 1000 that
    # is far more than the last digit of what comes out.
    table = f"table: [[400000000 V, 0 V], [400000010 V, {top} V]], range: [0 V, {limit} V]"
    spec = spec_of(tmp_path, tick('V : 0|32@1+ (0.1,0) [0|0] "V"'), VOLTS.format(table))
    assert told(judged(spec, [little(4_000_000_032, size=4)])[1]) == []
    assert len(judged(spec, [little(4_000_000_033, size=4)])[1]) == 1


def test_floats_are_compared_as_numbers(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|32@1- (1,0) [-1.5|1.5] "V"'), end="SIG_VALTYPE_ 256 V : 1;\n")
    values = [1.5, -1.5, 1.5000001, math.nan, 0.0]
    result, (finding,) = judged(spec, [struct.pack("<fxxxx", value) for value in values])
    assert span_ms(result, finding) == (20, 40)  # not a number is no value: it ends nothing
    assert finding.count == 1


def test_unsigned_integers_of_64_bits(tmp_path: Path) -> None:
    # 2**63 does not fit int64; it must neither wrap to a negative number nor pass.
    spec = spec_of(tmp_path, tick('V : 0|64@1+ (1,0) [0|1000] "V"'))
    _, (finding,) = judged(spec, [little(1000, size=8), little(1 << 63, size=8)])
    assert finding.value == pytest.approx(2.0**63)
    assert (finding.count, finding.start_ns < finding.end_ns or finding.open) == (1, True)


def test_a_range_of_unsigned_integers_beyond_what_63_bits_hold(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick(f'V : 0|64@1+ (1,0) [5|{(1 << 64) - 2}] "V"'))
    for number, inside in (
        (4, False),
        (5, True),
        (1 << 63, True),
        ((1 << 64) - 2, True),
        ((1 << 64) - 1, False),
    ):
        assert (judged(spec, [little(number, size=8)])[1] == []) == inside, number


def test_what_the_payload_does_not_hold_is_not_judged(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [5|100] "V"'))
    assert told(judged(spec, [little(50), b"\x07", b"", little(50)])[1]) == []


@pytest.mark.parametrize(
    ("policy", "values", "valid", "flagged"),
    [
        ("keep", [40.0, 60.0, 45.0], [True, True, True], [False, True, False]),
        ("mask", [40.0, None, 45.0], [True, False, True], [False, True, False]),
        ("clamp", [40.0, 48.0, 45.0], [True, True, True], [False, True, False]),
    ],
)
def test_what_a_record_does_with_it(
    tmp_path: Path, policy: str, values: list[float | None], valid: list[bool], flagged: list[bool]
) -> None:
    text = VOLTS.format(f"range: [0 V, 48 V], out_of_range: {policy}")
    spec = spec_of(tmp_path, tick('V : 0|16@1+ (1,0) [0|0] "V"'), text)
    result, found = judged(spec, [little(v) for v in (40, 60, 45)], ["battery"])
    assert len(found) == 1  # it is found whatever the record does
    voltage = result.records["battery"].voltage
    assert [row.voltage for row in result.records["battery"]] == values
    assert voltage.valid.tolist() == valid
    assert voltage.flagged.tolist() == flagged


def test_one_fault_of_two_records_is_one_finding_that_names_both(tmp_path: Path) -> None:
    kit = tick('V : 0|16@1+ (1,0) [0|0] "km/h"', 'A : 16|16@1- (1,0) [-90|90] "deg"')
    record = "  {0}: {{type: Drive, stamp: Tick, speed: {{signal: Tick.V, range: [0 {2}, {1} {2}]}}}}\n"
    motion = "  motion: {type: Motion, stamp: Tick, speed: drive.speed, wheel_angle: steering.wheel_angle}\n"
    steering = "  steering: {type: Steering, stamp: Tick, wheel_angle: Tick.A}\n"
    head = HEAD + "geometry: {wheelbase: 2 m, steering_ratio: 15}\n"
    text = "records:\n" + record.format("drive", 50, "km/h") + steering + motion
    spec = spec_of(tmp_path, kit, text, head=head)
    _, found = judged(spec, [little(40, 0), little(60, 91)])
    assert told(found) == [
        "Tick.A (steering.wheel_angle, motion.wheel_angle) was 91 deg, above its limit of 90 deg.",
        "drive.speed, motion.speed (Tick.V) was 60 km/h, above its limit of 50 km/h.",
    ]
    # The same limit in another unit is the same limit; another limit is another finding.
    text = "records:\n" + record.format("drive", 36, "km/h") + record.format("other", 10, "m/s")
    _, found = judged(
        spec_of(tmp_path, kit, text + record.format("third", 50, "km/h")), [little(0), little(60)]
    )
    assert told(found) == [
        "drive.speed, other.speed (Tick.V) was 60 km/h, above its limit of 36 km/h.",
        "third.speed (Tick.V) was 60 km/h, above its limit of 50 km/h.",
    ]
