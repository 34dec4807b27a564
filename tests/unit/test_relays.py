"""Copies that a gateway makes: on time, late, changed, frozen, and by clocks that are apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from tests.kits import of_kind, row, serious, span_ms, spec_of, told
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

KIT = """\
BO_ 256 Original: 8 Node
 SG_ Value : 0|16@1+ (1,0) [0|0] "" Other
 SG_ Counter : 16|4@1+ (1,0) [0|0] "" Other
BO_ 512 Copy: 8 Gateway
 SG_ Value : 8|16@1+ (1,0) [0|0] "" Other
 SG_ Counter : 32|4@1+ (1,0) [0|0] "" Other
"""
HEAD = """\
vehicle: Test cart
buses: {one: {description: kit.dbc, channel: can0}, two: {description: kit.dbc, channel: can1}}
"""
EVERY_MS = 10
Row = tuple[int, str, int, bytes]


def spec(folder: Path, relay: str = "protection: end_to_end", more: str = "") -> Spec:
    text = (
        "messages:\n"
        "  one.Original: {counter: {signal: Counter}}\n"
        "  one.Copy: {trigger: event}\n"
        "  two.Original: {trigger: event}\n"
        "  two.Copy:\n"
        "    period: 40 ms\n"
        f"    {more}\n"
        "    relay_of: {message: one.Original, decimation: 4, delay: 5 ms, page: 7.3, " + relay + "}\n"
    )
    return spec_of(folder, KIT, text, periods_ms={0x100: EVERY_MS}, head=HEAD)


def payload(value: int, counter: int) -> bytes:
    return value.to_bytes(2, "little") + bytes([counter % 16, 0, 0, 0, 0, 0])


def original(t_ms: int) -> bytes:
    """A value that moves, and comes again only after a minute."""
    return payload(t_ms % 60_000, t_ms // EVERY_MS)


def drive(
    copy: Callable[[int, bytes], tuple[float, bytes] | None],
    said: Callable[[int], bytes] = original,
    end_ms: int = 4000,
) -> list[Row]:
    """Originals every 10 ms; of every fourth what `copy` makes of its time and payload: when, and what."""
    rows = [row(t, 0x100, said(t)) for t in range(0, end_ms, EVERY_MS)]
    for t in range(0, end_ms - 20, 4 * EVERY_MS):
        if (made := copy(t, said(t))) is not None:
            rows.append(row(made[0], 0x200, made[1], "can1"))
    return sorted(rows)


def found(kit: Spec, rows: Iterable[Row]) -> tuple[Inspection, list[Finding]]:
    whole = frames(rows, ("can0", "can1"))
    result, _ = inspected([whole], kit)
    assert inspected(whole.split(range(0, len(whole), 7)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "relay")


def test_one_in_four_in_time_is_no_loss(tmp_path: Path) -> None:
    result, _ = found(spec(tmp_path), drive(lambda t, data: (t + 3, data)))
    assert told(serious(result)) == []


def test_late_copies_are_a_warning(tmp_path: Path) -> None:
    """From 1,000 ms on 15 ms late, to 2,000 ms: 25 copies, of which the last is that of 1,960 ms."""
    late = drive(lambda t, data: (t + (15 if 1000 <= t < 2000 else 3), data))
    result, (one,) = found(spec(tmp_path), late)
    assert one.text == (
        "Copy came up to 15 ms after Original, of which it is the copy, 25 times; it may take 5 ms "
        "(page 7.3 of the manual)."
    )
    assert (one.severity, one.value, one.limit, one.count) == ("warning", 0.015, 0.005, 25)
    assert (one.place.bus, one.place.message, one.facts["original"]) == ("two", "Copy", "Original")
    assert span_ms(result, one) == pytest.approx((1015, 2003))


@pytest.mark.parametrize(("delay_ms", "late"), [(4, False), (27, True)])
def test_a_recorder_that_fetches_frames_makes_no_copy_late(tmp_path: Path, delay_ms: int, late: bool) -> None:
    """It fetches every 10 ms, 3 ms after each original: a copy 4 ms behind that is stamped 10 ms later."""
    rows = drive(lambda t, data: (t + 7 + delay_ms, data))
    rows = [row(t, 0x700 + n, channel="can1") for t in range(0, 4000, 10) for n in range(5)] + [
        row(-(-((t_ns - START_NS) // MS + 7 * (can_id == 0x100)) // 10) * 10, can_id, data, channel)
        for t_ns, channel, can_id, data in rows
    ]
    finding = found(spec(tmp_path), sorted(rows))[1]
    assert [one.facts["wrong"] for one in finding] == ["late"] * late


def test_a_copy_that_was_changed_is_an_error(tmp_path: Path) -> None:
    changed = drive(lambda t, data: (t + 3, bytes([data[0] ^ 1, *data[1:]]) if t == 2000 else data))
    result, (one,) = found(spec(tmp_path), changed)
    assert one.text == (
        "1 frame of Copy said what no Original had said: changed on the way (page 7.3 of the manual)."
    )
    assert one.severity == "error"
    assert span_ms(result, one) == pytest.approx((2003, 2043))


def test_with_a_protection_of_its_own_equal_signals_are_compared(tmp_path: Path) -> None:
    """The value stands elsewhere in the copy, beside a counter of the gateway's."""

    def repacked(t: int, data: bytes) -> tuple[float, bytes]:
        value = bytes([data[0] ^ (t == 2000), data[1]])
        return t + 3, bytes([0, *value, 0, t // 40 % 16, 0, 0, 0])

    kit = spec(tmp_path, "protection: own", "counter: {signal: Counter}")
    result, (one,) = found(kit, drive(repacked))
    assert (one.severity, one.count) == ("error", 1)
    assert span_ms(result, one) == pytest.approx((2003, 2043))
    assert told(serious(result)) == [one.text]


def test_a_copy_that_does_not_change_any_more_is_frozen(tmp_path: Path) -> None:
    """From 1,000 to 3,000 ms the copy of 1,000 ms comes again; the first that should not is of 1,040 ms."""
    stuck = drive(lambda t, data: (t + 3, original(1000) if 1000 <= t < 3000 else data))
    result, (one,) = found(spec(tmp_path), stuck)
    assert one.text == (
        "Copy repeated one old frame of Original for 1.92 s, while that went on (page 7.3 of the manual)."
    )
    assert one.severity == "error"
    assert span_ms(result, one) == pytest.approx((1043, 3003))


def test_a_copy_that_is_not_passed_on_is_a_silence_of_the_copy(tmp_path: Path) -> None:
    result, ones = found(spec(tmp_path), drive(lambda t, data: None if 1000 <= t < 2000 else (t + 3, data)))
    assert ones == []
    (silence,) = of_kind(result, "stale")
    assert "Original, of which it is the copy, went on." in silence.beside


def test_originals_that_were_not_recorded_prove_nothing(tmp_path: Path) -> None:
    rows = drive(lambda t, data: (t + 3, data))
    lost = [one for i, one in enumerate(rows) if one[1] == "can1" or i % 5]
    assert found(spec(tmp_path), lost)[1] == []


@pytest.mark.parametrize("ahead_ms", [20, 200])
def test_a_copy_before_its_original_is_one_note(tmp_path: Path, ahead_ms: int) -> None:
    early = drive(lambda t, data: (t + 3 - ahead_ms, data) if t >= 1000 else None)
    _, (one,) = found(spec(tmp_path), early)
    assert one.severity == "note"
    assert one.text.startswith(f"Copy came up to {ahead_ms - 3} ms before Original")
    assert one.open


def test_clocks_that_are_further_apart_are_one_warning(tmp_path: Path) -> None:
    _, (one,) = found(spec(tmp_path), drive(lambda t, _: (t + 3, original(t + 20_000))))
    assert (one.severity, one.facts["wrong"]) == ("warning", "of_none")
    assert "the clocks of those who recorded them are apart, or the gateway" in one.text


def test_copies_late_from_the_start_may_be_clocks_that_are_apart(tmp_path: Path) -> None:
    _, (one,) = found(spec(tmp_path), drive(lambda t, data: (t + 30, data)))
    assert "from the start; it may take" in one.text
    assert ": maybe the clocks of those who recorded them are apart" in one.text
    assert one.severity == "warning"


@pytest.mark.parametrize(
    ("relay", "fault"),
    [
        ("protection: ends", "`ends` is not a protection; it is one of end_to_end or own."),
        ("delays: 3 ms", "A relay has no key `delays`; did you mean `delay`?"),
    ],
)
def test_mistakes_in_a_relay(tmp_path: Path, relay: str, fault: str) -> None:
    with pytest.raises(SpecError) as raised:
        spec(tmp_path, relay)
    assert fault in str(raised.value)


def test_a_nominal_delay_is_no_longer_than_the_longest(tmp_path: Path) -> None:
    text = (
        "messages: {two.Copy: {relay_of: {message: one.Original, delay: {nominal: 6 ms, longest: 5 ms}}}}\n"
    )
    with pytest.raises(SpecError, match="longer than the longest"):
        spec_of(tmp_path, KIT, text, head=HEAD)


def test_a_message_is_not_its_own_copy(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match="cannot be its own copy"):
        spec_of(tmp_path, KIT, "messages: {two.Copy: {relay_of: {message: two.Copy}}}\n", head=HEAD)
