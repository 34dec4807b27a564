"""Messages that fall silent, come late, or never come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.findings.episodes import Opened
from canmap.findings.finding import Severity
from tests.kits import TICK, TOCK, of_kind, row, serious, span_ms, spec_of, told
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

PERIODS = {256: 10, 512: 10}


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    """Tick and Tock every 10 ms; stale after the longer of 3 periods and 100 ms, which is 100 ms."""
    return spec_of(tmp_path, TICK + TOCK, periods_ms=PERIODS)


def ticks(times_ms: Iterable[float], spec: Spec, tock_to_ms: int = 1000) -> Inspection:
    """Tick at these times, Tock every 10 ms."""
    rows = [row(t) for t in times_ms] + [row(t, 0x200) for t in range(0, tock_to_ms + 1, 10)]
    return inspected([frames(sorted(rows))], spec)[0]


def test_a_gap_of_the_limit_is_no_silence(spec: Spec) -> None:
    assert serious(ticks([*range(0, 501, 10), *range(600, 1001, 10)], spec)) == []  # 100 ms


def test_a_gap_over_the_limit_is(spec: Spec) -> None:
    result = ticks([*range(0, 501, 10), *range(601, 1001, 10)], spec)  # 101 ms
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.place.message) == ("stale", Severity.ERROR, "Tick")
    assert span_ms(result, finding) == pytest.approx((500, 601))
    assert (finding.value, finding.limit, finding.count) == (pytest.approx(0.101), pytest.approx(0.1), 1)
    assert finding.text == "Tick was silent for 101 ms; it is stale after 100 ms."
    assert not finding.open


@pytest.mark.parametrize("times_ms", [[*range(0, 501, 10), *range(761, 1001, 10)], range(0, 501, 10)])
def test_a_silence_is_known_as_soon_as_it_is_too_long(spec: Spec, times_ms: Iterable[int]) -> None:
    """Stale after 100 ms, so at 600 ms, whether its end is already read or not, or never comes."""
    rows = [row(t) for t in times_ms] + [row(t, 0x200) for t in range(0, 1001, 10)]
    chunk = frames(sorted(rows))
    for pieces in ([chunk], chunk.split(range(1, len(chunk)))):
        _, events = inspected(pieces, spec)
        (opened,) = [event for event in events if isinstance(event, Opened)]
        assert (opened.finding.kind, opened.known_ns) == ("stale", START_NS + 600 * MS)


def test_the_longer_of_three_periods_and_100_ms(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK, periods_ms={256: 50, 512: 10})  # 3 * 50 = 150 ms
    assert of_kind(ticks([*range(0, 501, 50), *range(650, 1001, 50)], spec), "stale") == []
    assert len(of_kind(ticks([*range(0, 501, 50), *range(651, 1001, 50)], spec), "stale")) == 1


@pytest.mark.parametrize(("between", "counts"), [(2, [2]), (3, [1, 1])])
def test_fewer_than_three_frames_between_make_one(spec: Spec, between: int, counts: list[int]) -> None:
    pause = [400 + 10 * i for i in range(between)]
    result = ticks([*range(0, 201, 10), *pause, *range(700, 1001, 10)], spec)
    found = serious(result)
    assert [finding.count for finding in found] == counts, told(found)
    assert span_ms(result, found[0])[0] == 200
    assert span_ms(result, found[-1])[1] == 700


def test_a_sender_that_does_not_come_back(spec: Spec) -> None:
    result = ticks(range(0, 501, 10), spec)
    (finding,) = serious(result)
    assert span_ms(result, finding) == (500, 1000)
    assert finding.open
    assert finding.text == "Tick fell silent and did not come back; it is stale after 100 ms."


def test_never_there(spec: Spec) -> None:
    result = ticks([], spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.open) == ("missing", Severity.ERROR, True)
    assert finding.text == "Tick never came; it is promised every 10 ms."
    assert result.verdict == "fail"


def test_late(spec: Spec) -> None:
    result = ticks(range(101, 1001, 10), spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.open) == ("missing", Severity.WARNING, False)
    assert span_ms(result, finding) == pytest.approx((0, 101))
    assert result.verdict == "pass"
    assert serious(ticks(range(100, 1001, 10), spec)) == []  # within the limit from the start


def test_a_short_capture_proves_no_absence(spec: Spec) -> None:
    assert serious(ticks([], spec, tock_to_ms=100)) == []
    assert len(serious(ticks([], spec, tock_to_ms=110))) == 1


def test_a_wrong_promise_says_from_the_start(spec: Spec) -> None:
    # Every 120 ms and never otherwise: the spec is wrong, not the vehicle.
    result = ticks(range(0, 1201, 120), spec, tock_to_ms=1320)
    (finding,) = of_kind(result, "stale")
    assert (
        finding.text == "Tick was silent 11 times from the start, for up to 120 ms; it is stale after 100 ms."
    )
    assert finding.open


def test_what_began_well_is_not_silent_from_the_start(spec: Spec) -> None:
    # Every 10 ms to 500 ms, then at 620, 740 to 1220 ms, and the capture ends at 1340 ms: 6 gaps of 120 ms
    # and the silence at the end.
    result = ticks([*range(0, 501, 10), *range(620, 1221, 120)], spec, tock_to_ms=1340)
    (finding,) = of_kind(result, "stale")
    assert finding.open
    assert finding.text == "Tick was silent 7 times, for up to 120 ms; it is stale after 100 ms."


def test_a_record_does_not_take_back_what_a_limit_of_silence_expects(tmp_path: Path) -> None:
    text = (
        "messages:\n  Tick: {stale_after: 50 ms}\n"
        "records:\n  battery: {type: Battery, stamp: Tick, charge: {signal: Tick.Value, unit: '%'}}\n"
    )
    spec = spec_of(tmp_path, TICK + TOCK, text, periods_ms={512: 10})
    (finding,) = serious(ticks([], spec))
    assert (finding.kind, finding.place.message) == ("missing", "Tick")


def test_what_promises_nothing_is_not_judged(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK, "messages:\n  Tick: {trigger: event}\n", periods_ms={512: 10})
    assert serious(ticks([0, 900], spec)) == []
    assert serious(ticks([], spec)) == []


def test_an_unpromised_message_that_a_record_needs_is_missing(tmp_path: Path) -> None:
    text = "records:\n  battery: {type: Battery, stamp: Tick, charge: {signal: Tick.Value, unit: '%'}}\n"
    spec = spec_of(tmp_path, TICK + TOCK, text, periods_ms={512: 10})
    (finding,) = serious(ticks([], spec))
    assert (finding.kind, finding.place.message) == ("missing", "Tick")
    assert finding.text == "Tick never came."


def test_a_demand_is_late_at_half_its_watchdog_as_a_warning(tmp_path: Path) -> None:
    text = "demands:\n  Tick: {watchdog: 120 ms, reaction: lets go}\n"  # half of it is 60 ms
    spec = spec_of(tmp_path, TICK + TOCK, text, periods_ms=PERIODS)
    assert serious(ticks([*range(0, 501, 10), *range(560, 1001, 10)], spec)) == []
    result = ticks([*range(0, 501, 10), *range(561, 1001, 10)], spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("stale", Severity.WARNING)
    assert result.verdict == "pass"
