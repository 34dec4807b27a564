"""From values back to raw values: exactly the way back, to a frame and back, and as cantools scales."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import cantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.mapping.description.description import Description, NoData
from canmap.payload.packing import Packing
from canmap.signals.inverse import Inverse, Nearest, NoRaw, NoRawError
from canmap.signals.limits import raw_span
from canmap.signals.plan import ColumnKind, DecodePlan
from canmap.signals.values import Quantity, Scaling, StraightLine
from tests.decoding import by_frame, run
from tests.layouts import descriptions
from tests.property.test_extract import load
from tests.spec_builders import message, signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hypothesis.strategies import DataObject

    from tests.layouts import MessageSketch

Points = tuple[tuple[Fraction, Fraction], ...]
NUMBERS = st.fractions(-1000, 1000, max_denominator=1000)
FACTORS = NUMBERS.filter(bool)
LINES = st.builds(StraightLine.of, FACTORS, NUMBERS)
WIDTHS = st.tuples(st.integers(1, 64), st.booleans())


def quantity(
    bits: int,
    signed: bool,
    described: StraightLine,
    line: StraightLine,
    points: Points | None = None,
    *,
    is_float: bool = False,
    parts: int = 1,
) -> Quantity:
    kind = ColumnKind.FLOAT if is_float else ColumnKind.INTEGER
    if kind is ColumnKind.INTEGER and bits == 64 and not signed:
        kind = ColumnKind.WIDE_UNSIGNED
    scalings = (Scaling(kind, bits, signed, described),) * parts
    table = None if points is None else np.array(points, np.float64).T
    return Quantity(tuple(range(parts)), scalings, line, points, table, None)


def column(raw: int) -> list[int]:
    """A raw value as the columns hold it, in 64 bits with a sign."""
    return [raw - (1 << 64) if raw >> 63 > 0 else raw]


def nearest_or_why(forward: Quantity, value: Fraction) -> Nearest | NoRawError:
    try:
        return Inverse(forward).nearest(value)
    except NoRawError as error:
        return error


def plain(factor: Fraction | int = 1, offset: Fraction | int = 0) -> StraightLine:
    return StraightLine.of(Fraction(factor), Fraction(offset))


@given(st.integers(1, 10), st.booleans(), LINES, LINES)
def test_every_count_of_a_line_comes_back(
    bits: int, signed: bool, described: StraightLine, line: StraightLine
) -> None:
    forward = quantity(bits, signed, described, line)
    back = Inverse(forward)
    least, most = raw_span(bits, signed)
    for count in range(least, most + 1):
        found = back.nearest(forward.exact(column(count)))
        assert (found.raw, found.residual) == (count, 0)


@given(WIDTHS, LINES, LINES, st.data())
def test_counts_of_every_width_come_back(
    width: tuple[int, bool], described: StraightLine, line: StraightLine, data: DataObject
) -> None:
    forward = quantity(*width, described, line)
    least, most = raw_span(*width)
    for count in (least, most, data.draw(st.integers(least, most))):
        found = Inverse(forward).nearest(forward.exact(column(count)))
        assert (found.raw, found.bits, found.residual) == (count, count % (1 << width[0]), 0)


@st.composite
def tables(draw: st.DrawFn) -> Points:
    """Tables that only rise or only fall."""
    count = draw(st.integers(2, 6))
    into = sorted(draw(st.sets(NUMBERS, min_size=count, max_size=count)))
    out = sorted(draw(st.sets(NUMBERS, min_size=count, max_size=count)), reverse=draw(st.booleans()))
    return tuple(zip(into, out, strict=True))


@given(st.integers(1, 10), st.booleans(), LINES, LINES, tables())
def test_every_count_within_a_monotonic_table_comes_back(
    bits: int, signed: bool, described: StraightLine, line: StraightLine, points: Points
) -> None:
    forward, before = quantity(bits, signed, described, line, points), quantity(bits, signed, described, line)
    back = Inverse(forward)
    least, most = raw_span(bits, signed)
    for count in range(least, most + 1):
        if points[0][0] <= before.exact(column(count)) <= points[-1][0]:
            found = back.nearest(forward.exact(column(count)))
            assert (found.raw, found.residual) == (count, 0)


@given(st.integers(1, 8), st.booleans(), LINES, LINES, st.none() | tables(), NUMBERS)
def test_no_other_count_is_nearer(
    bits: int,
    signed: bool,
    described: StraightLine,
    line: StraightLine,
    points: Points | None,
    value: Fraction,
) -> None:
    """Against the distance of every count, in fractions."""
    forward = quantity(bits, signed, described, line, points)
    found = nearest_or_why(forward, value)
    if isinstance(found, NoRawError):
        assert found.reason in {NoRaw.BEYOND, NoRaw.OFF_TABLE}
        assert found.low is not None
        assert found.high is not None
        assert found.low <= found.high
        assert found.reason is NoRaw.BEYOND or not found.low <= value <= found.high
        return
    least, most = raw_span(bits, signed)
    made = {count: forward.exact(column(count)) for count in range(least, most + 1)}
    assert (found.value, found.residual) == (made[found.raw], value - found.value)
    assert abs(found.residual) == min(abs(value - one) for one in made.values())


@pytest.mark.parametrize("bits", [16, 32, 64])
@given(st.data(), LINES)
def test_floating_point_numbers_come_back(bits: int, data: DataObject, line: StraightLine) -> None:
    wanted = np.array(
        data.draw(st.floats(width=bits, allow_nan=False, allow_infinity=False)), f"f{bits // 8}"
    )
    forward = quantity(bits, True, plain(), line, is_float=True)
    found = Inverse(forward).nearest(line.at(Fraction(float(wanted))))
    assert found.residual == 0
    assert np.array(found.bits, f"u{bits // 8}").view(f"f{bits // 8}") == wanted


@given(st.floats(-60000, 60000))
def test_the_nearest_floating_point_number_of_16_bits(number: float) -> None:
    """Against numpy, which rounds a float64 to the nearest of 16 bits."""
    value = Fraction(number)
    found = Inverse(quantity(16, True, plain(), plain(), is_float=True)).nearest(value)
    theirs = Fraction(float(np.float16(number)))
    assert abs(found.residual) == abs(value - theirs)


@given(descriptions(), st.data())
def test_values_go_to_a_frame_and_back_as_cantools_packs_them(
    described: tuple[str, list[MessageSketch]], data: DataObject
) -> None:
    """In the description's unit: one signal of a message, packed, read again, and encoded by cantools."""
    description = load(described[0])
    database = cantools.database.load_string(described[0], "dbc")
    plan = DecodePlan.build([("drive", description)])
    for described_message in description.messages:
        for described_signal in described_message.signals:
            if (
                described_signal.selector is not None
                or described_signal.is_float
                or not described_signal.factor
            ):
                continue
            place = plan.column_of["drive", described_message.name, described_signal.name]
            forward = Quantity.of_column(plan, place)
            least, most = raw_span(described_signal.bits, described_signal.signed)
            count = data.draw(st.integers(max(least, -(1 << 30)), min(most, 1 << 30)))
            value = forward.exact(column(count)) + described_signal.factor * Fraction(
                data.draw(st.sampled_from([-2, 0, 2])), 5
            )
            found = Inverse(forward).nearest(value)
            assert found.raw == count
            raw = {described_signal.name: np.array([found.bits], np.uint64)}
            payload = Packing(described_message).pack(raw, 1)[0].tobytes()
            frame = (described_message.can_id, described_message.extended, payload)
            (read,) = by_frame(plan, run(plan, [frame]), 1)
            assert read[described_signal.name][0] == column(count)[0]
            theirs = database.get_message_by_name(described_message.name)
            scaled = theirs.get_signal_by_name(described_signal.name).scaled_to_raw(float(value))
            assert scaled == count


class TestWhatHasNone:
    def reason_of(self, forward: Quantity, value: int = 0, no_data: Sequence[NoData] = ()) -> NoRawError:
        with pytest.raises(NoRawError) as caught:
            Inverse(forward, no_data).nearest(Fraction(value))
        return caught.value

    def test_a_sum(self) -> None:
        error = self.reason_of(quantity(8, False, plain(), plain(), parts=2))
        assert error.reason is NoRaw.SUM
        assert str(error) == "A sum of 2 signals has no inverse: give a value for each signal."

    def test_a_constant(self) -> None:
        error = self.reason_of(quantity(8, False, plain(0, 3), plain()))
        assert error.reason is NoRaw.CONSTANT
        assert str(error).startswith("The value is the same for every raw value")

    @pytest.mark.parametrize("out", [(0, 5, 5), (0, 5, 4), (5, 5, 5)])
    def test_a_table_that_turns_or_stands_still(self, out: tuple[int, ...]) -> None:
        points = tuple((Fraction(i), Fraction(one)) for i, one in enumerate(out))
        error = self.reason_of(quantity(8, False, plain(), plain(), points))
        assert error.reason is NoRaw.TABLE
        assert str(error).startswith("A table that neither only rises nor only falls")

    def test_a_value_beyond_the_table(self) -> None:
        points = ((Fraction(0), Fraction(10)), (Fraction(4), Fraction(2)))
        error = self.reason_of(quantity(8, False, plain(), plain(), points), 11)
        assert (error.reason, error.value, error.low, error.high) == (NoRaw.OFF_TABLE, 11, 2, 10)
        assert str(error) == "The value 11 is beyond the table: give one from 2 to 10."

    def test_a_value_beyond_the_bits(self) -> None:
        # 8 bits with a sign, 0.5 a count and 1 on top: -128 * 0.5 + 1 = -63, 127 * 0.5 + 1 = 64.5.
        forward = quantity(8, True, plain(Fraction(1, 2), 1), plain())
        error = self.reason_of(forward, 65)
        assert str(error) == "The value 65 is beyond what the signal can hold: give one from -63 to 64.5."
        assert Inverse(forward).nearest(Fraction(258, 4)).raw == 127

    def test_a_count_that_means_no_data(self) -> None:
        forward, codes = quantity(8, False, plain(), plain()), (NoData(254, 255),)
        assert self.reason_of(forward, 254, codes).reason is NoRaw.NO_DATA
        assert Inverse(forward, codes).nearest(Fraction(253)).raw == 253

    def test_a_number_that_few_bits_cannot_hold(self) -> None:
        error = self.reason_of(quantity(16, True, plain(), plain(), is_float=True), 65505)
        assert (error.reason, error.low, error.high) == (NoRaw.BEYOND, -65504, 65504)  # IEEE 754, 16 bits


def test_of_two_as_near_the_even_count_is_sent() -> None:
    back = Inverse(quantity(8, False, plain(), plain()))
    assert [back.nearest(Fraction(n, 2)).raw for n in (1, 3, 5)] == [0, 2, 2]


def test_a_speed_in_m_per_s_goes_to_the_bits_of_km_per_h() -> None:
    """16 bits of 0.05 km/h, asked for 2.5 m/s = 9 km/h = 180 counts; 2.51 m/s = 9.036 km/h = 180.72."""
    speed = signal("Speed", 0, 16, "km/h", factor=Fraction(1, 20))
    plan = DecodePlan.build([("drive", Description("kit.dbc", (message("Drive", 0x102, speed),)))])
    rule_line = StraightLine.of(Fraction(5, 18), Fraction(0))
    of_column = Quantity.of_column(plan, 0)
    forward = Quantity(of_column.columns, of_column.scalings, rule_line, None, None, of_column.reach)
    back = Inverse(forward)
    assert back.nearest(Fraction("2.5")).raw == 180
    found = back.nearest(Fraction("2.51"))
    assert (found.raw, found.residual) == (181, Fraction("2.51") - Fraction(181, 20) * Fraction(5, 18))
