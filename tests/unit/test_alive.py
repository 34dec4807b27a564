"""Nothing dead looks alive: `valid` is a share of time, and a last value that is stale says how old it is."""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.cli.render import Screen, show
from canmap.frames.chunks import Coverage
from canmap.records.columns import FieldColumn
from canmap.records.motion import derived_ages
from canmap.summaries.alive import Alive, Extent, RecordTimes
from tests.kits import TICK, TOCK, row, spec_of
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection

BATTERY = """\
messages: {Tick: {period: 10 ms, stale_after: %s}}
records:
  battery:
    type: Battery
    stamp: Tick
    voltage: {signal: Tick.Value, unit: V}
    current: {signal: Tock.Count, unit: A, max_age: %s}
"""
OTHER = 0x7A0  # what no description knows: it only makes the session last


def battery(
    folder: Path, rows: list[Any], stale_after: str = "60 ms", max_age: str = "250 ms"
) -> tuple[Inspection, dict[str, Any]]:
    spec = spec_of(folder, TICK + TOCK, BATTERY % (stale_after, max_age))
    result, _ = inspected([frames(sorted(rows))], spec)
    return result, result.to_json()["records"]["battery"]["fields"]


def screen(result: Inspection, width: int = 120) -> list[str]:
    out = Screen(file=io.StringIO(), width=width, highlight=False)
    show(result, out)
    return out.file.getvalue().splitlines()  # type: ignore[attr-defined]


def ticks(begin: int, end: int, step: int = 10) -> list[Any]:
    return [row(t, data=bytes([7, *bytes(7)])) for t in range(begin, end + 1, step)]


def test_a_sender_that_dies_does_not_stay_valid_to_the_end(tmp_path: Path) -> None:
    result, fields = battery(tmp_path, [*ticks(0, 1000), row(25_000, OTHER)])
    # Alive from 0 to its last frame at 1 s and 60 ms more, of 25 s.
    assert fields["voltage"]["valid"] == 1060 / 25_000
    assert (fields["voltage"]["last"], fields["voltage"]["last_age_s"]) == (7, 24.0)
    (line,) = [line.split() for line in screen(result) if "battery.voltage" in line]
    assert line == ["battery.voltage", "V", "7", "7", "7", "7", "24", "s", "ago", "4.2", "%"]
    heading = next(line for line in screen(result) if line.startswith("Records, in "))
    assert heading.endswith("valid for a share of the time")


def test_what_is_fresh_says_no_age(tmp_path: Path) -> None:
    result, fields = battery(tmp_path, [*ticks(0, 1000), row(1060, OTHER)])  # as old as it may be
    assert (fields["voltage"]["last_age_s"], fields["voltage"]["valid"]) == (0.06, 1.0)
    assert not [line for line in screen(result) if " ago" in line or " age" in line]
    result, fields = battery(tmp_path, [*ticks(0, 1000), row(1060.001, OTHER)])
    assert [line.split()[-5:-2] for line in screen(result) if "battery.voltage" in line] == [
        ["0.1", "s", "ago"]
    ]
    assert 0.999 < fields["voltage"]["valid"] < 1


def test_what_came_late_or_went_and_came_back_was_not_valid_before_and_between(tmp_path: Path) -> None:
    rows = [row(0, OTHER), *ticks(200, 500), *ticks(800, 1000)]
    _, fields = battery(tmp_path, rows)
    # 200 to 500 and 60 ms more, 800 to 1000: 360 + 200 of 1000 ms.
    assert fields["voltage"]["valid"] == 560 / 1000


def test_a_held_value_lives_as_long_as_its_age_allows(tmp_path: Path) -> None:
    # The records at 100, 200, ... 1000 hold the current of 0.
    rows = [row(0, 0x200, bytes([3, *bytes(7)])), *ticks(100, 1000, 100)]
    result, fields = battery(tmp_path, rows, stale_after="500 ms")
    # In the record of 100 to the one of 200, and in that until it is 250 ms old: 100 + 50 of 1000 ms.
    assert (fields["current"]["valid"], fields["current"]["last"]) == (150 / 1000, None)
    assert fields["current"]["last_age_s"] is None
    rows = [*rows, row(900, 0x200, bytes([3, *bytes(7)])), row(1300, OTHER)]
    result, fields = battery(tmp_path, rows, stale_after="500 ms")
    # And from the record of 1000 until that of 900 is 250 ms old: 150 ms; of 1300 ms. It is 400 ms old then.
    assert fields["current"]["valid"] == (100 + 50 + 150) / 1300
    assert fields["current"]["last_age_s"] == 0.4
    assert fields["voltage"]["valid"] == 1200 / 1300
    lines = {words[0]: words for line in screen(result) if (words := line.split())}
    assert lines["battery.current"][-5:-2] == ["0.4", "s", "ago"]
    assert "ago" not in lines["battery.voltage"]


def test_what_is_never_stale_is_valid_to_the_end(tmp_path: Path) -> None:
    text = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"
    result, _ = inspected([frames([row(0), row(5000, OTHER)])], spec_of(tmp_path, TICK, text))
    assert result.to_json()["records"]["battery"]["fields"]["voltage"]["valid"] == 1.0
    assert not [line for line in screen(result) if " ago" in line]


def test_one_moment_is_no_time_to_have_a_share_of(tmp_path: Path) -> None:
    result, fields = battery(tmp_path, [row(0)])
    assert (fields["voltage"]["valid"], fields["voltage"]["last_age_s"]) == (None, 0)
    assert any("battery.voltage" in line for line in screen(result))


def test_what_no_capture_covers_is_not_counted(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK, BATTERY % ("60 ms", "250 ms"))

    def part(begin: int, end: int, listened: int) -> Any:
        span = Coverage("can0", START_NS + begin * MS, START_NS + listened * MS)
        return replace(frames(ticks(begin, end)), coverage=(span,))

    result, _ = inspected([part(0, 1000, 1020), part(5000, 5500, 6000)], spec)
    told = result.to_json()["records"]["battery"]["fields"]["voltage"]
    # Listened to from 0 to 1020 and from 5000 to the last frame at 5500: alive all of that.
    assert told["valid"] == 1.0
    assert result.extents["battery"].covered_ns == 1520 * MS
    result, _ = inspected([part(0, 1000, 1200), part(5000, 5500, 6000)], spec)
    told = result.to_json()["records"]["battery"]["fields"]["voltage"]
    assert told["valid"] == (1060 + 500) / (1200 + 500)


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_the_age_of_a_dead_value_fits_any_screen(width: int, tmp_path: Path) -> None:
    result, _ = battery(tmp_path, [*ticks(0, 1000), row(25_000, OTHER)])
    lines = screen(result, width)
    begin, end = (
        next(i for i, line in enumerate(lines) if line.startswith(heading))
        for heading in ("Records, ", "Find")
    )
    table = [line for line in lines[begin:end] if line.startswith("  ") and "Left out" not in line]
    assert any("24 s ago" in line for line in table)
    assert any("4.2 %" in line for line in table)
    assert max(map(len, table)) <= width


def test_derived_values_die_with_what_they_come_from() -> None:
    ages = derived_ages({"speed": 60, "wheel_angle": 100})
    assert (ages["speed"], ages["curvature"], ages["x"], ages["yaw_rate"]) == (60, 100, 100, 100)
    assert derived_ages({"speed": 60, "road_angle": None})["heading"] is None


@given(st.data())
def test_the_time_alive_is_the_sum_over_all_records_however_they_are_cut(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 12))
    clock = np.cumsum(data.draw(st.lists(st.integers(0, 50), min_size=count, max_size=count)), dtype=np.int64)
    stale, max_age = data.draw(st.none() | st.integers(1, 60)), data.draw(st.none() | st.integers(0, 60))
    ages = np.array(data.draw(st.lists(st.integers(0, 60), min_size=count, max_size=count)), np.int64)
    ages *= data.draw(st.integers(0, 1))
    wanted = data.draw(st.lists(st.booleans(), min_size=count, max_size=count))
    valid = np.array(wanted) & (ages <= (100 if max_age is None else max_age))
    end = int(clock[-1]) + data.draw(st.integers(0, 100))
    cuts = sorted({0, count, *data.draw(st.lists(st.integers(0, count), max_size=4))})
    alive = Alive(max_age)
    for begin, until in pairwise(cuts):
        part = slice(begin, until)
        column = FieldColumn(np.zeros(until - begin), valid[part], ages[part], np.zeros(until - begin, bool))
        alive.fold(RecordTimes(clock[part], stale), [column], valid[part])
    extent = Extent(end, end, end)
    # One record after the other, as the definition has it.
    lived = 0
    for at, following, age, good in zip(
        clock.tolist(), [*clock.tolist()[1:], end], ages.tolist(), valid.tolist(), strict=True
    ):
        bounds = [following, *([] if stale is None else [at + stale])]
        bounds += [] if max_age is None else [at - age + max_age]
        lived += min(bounds) - at if good else 0
    assert alive.in_all_ns(extent) == lived
    assert alive.age_ns(extent) == (end - int(clock[-1]) + int(ages[-1]) if valid[-1] else None)
