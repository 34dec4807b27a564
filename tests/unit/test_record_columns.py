"""Records that a program kept: columns, typed rows, tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars
import pytest

import canmap
from canmap.vocabulary.record_types import AxisState, Brake
from tests.kits import row, spec_of
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.records.columns import Records

KIT = """\
BO_ 256 Tick: 8 Node
 SG_ Pressure : 0|8@1+ (1,0) [0|0] "bar" Other
 SG_ State : 8|8@1+ (1,0) [0|0] "" Other
 SG_ Parking : 16|8@1+ (1,0) [0|0] "" Other
"""
TEXT = """\
records:
  brake:
    type: Brake
    stamp: Tick
    pressure: {signal: Tick.Pressure, no_data: 255}
    state: {signal: Tick.State, labels: {1: ready, 3: active}}
    parking: {signal: Tick.Parking, labels: {0: no, 1: yes}}
"""


@pytest.fixture
def brake(tmp_path: Path) -> Records:
    rows = [row(10 * i, data=bytes(data)) for i, data in enumerate(([2, 3, 1], [255, 1, 0], [4, 9, 9]))]
    spec = spec_of(tmp_path, KIT, TEXT)
    return inspected([frames(rows)], spec, ["brake"])[0].records["brake"]


def test_rows_are_typed_and_what_is_invalid_is_none(brake: Records) -> None:
    assert list(brake) == [
        Brake(t_s=0.0, stamp_ns=START_NS, pressure=2e5, state=AxisState.ACTIVE, parking=True),
        Brake(t_s=0.01, stamp_ns=START_NS + 10 * MS, pressure=None, state=AxisState.READY, parking=False),
        Brake(t_s=0.02, stamp_ns=START_NS + 20 * MS, pressure=4e5, state=None, parking=None),
    ]
    first = next(iter(brake))
    assert isinstance(first, Brake)
    assert isinstance(first.state, AxisState)
    assert first.parking is True
    assert len(brake) == 3


def test_columns_by_name(brake: Records) -> None:
    assert brake.pressure.values[brake.pressure.valid].tolist() == [2e5, 4e5]
    assert brake.pressure is brake.columns["pressure"]
    with pytest.raises(AttributeError, match="record brake has no field presure; it has pressure"):
        _ = brake.presure


def test_polars(brake: Records) -> None:
    table = brake.to_polars()
    assert table.columns == ["t_s", "stamp_ns", "pressure", "parking", "state"]
    assert table["pressure"].to_list() == [2e5, None, 4e5]
    assert table["parking"].to_list() == [True, False, None]
    assert table["parking"].dtype == polars.Boolean
    assert table["state"].to_list() == ["active", "ready", None]  # the names of the rows, in lower case
    assert table["state"].dtype == polars.Enum([state.name.lower() for state in AxisState])
    assert table["stamp_ns"].dtype == polars.Int64


def test_a_record_that_never_came_is_empty(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, TEXT)
    brake = inspected([frames([row(0, 0x300)])], spec, ["brake"])[0].records["brake"]
    assert len(brake) == 0
    assert list(brake) == []
    assert len(brake.to_polars()) == 0


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.log"
    path.write_text("(1.000000) can0 100#0203010000000000\n(1.010000) can0 100#0203010000000000\n")
    return path


def test_only_what_is_asked_for_is_kept(capture: Path, tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, TEXT)
    assert canmap.inspect(capture, spec).records == {}
    assert len(canmap.inspect([str(capture)], spec, keep=["brake"]).records["brake"]) == 2
    with pytest.raises(canmap.UsageError, match=r"makes no record brakes; did you mean brake\?"):
        canmap.inspect(capture, spec, keep=["brakes"])
    with pytest.raises(canmap.UsageError, match=r"makes no record engine; it makes brake\."):
        canmap.inspect(capture, spec, keep=["engine"])


def test_one_name_is_one_record(capture: Path, tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, TEXT)
    assert list(canmap.inspect(capture, spec, keep="brake").records) == ["brake"]


def test_a_spec_is_taken_by_its_path(capture: Path, tmp_path: Path) -> None:
    expected = canmap.inspect(capture, spec_of(tmp_path, KIT, TEXT)).to_json()
    assert canmap.inspect(capture, tmp_path / "spec.yaml").to_json() == expected
    assert canmap.inspect(capture, str(tmp_path / "spec.yaml")).to_json() == expected


def test_a_span_is_that_of_the_command_line(capture: Path, tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, TEXT)
    result = canmap.inspect(capture, spec, keep="brake", span_s=(0.01, 5.0))
    assert result.records["brake"].t_s.tolist() == [0.01]  # counted from the first frame of the whole
    first = canmap.inspect(capture, spec, keep="brake", span_s=(0, 0.01))
    assert first.records["brake"].t_s.tolist() == [0.0]
    for wrong in ((2.0, 1.0), (-1.0, 1.0), (float("nan"), 1.0), (0.0, 1e30)):
        with pytest.raises(canmap.UsageError, match="leaves no time"):
            canmap.inspect(capture, spec, span_s=wrong)
