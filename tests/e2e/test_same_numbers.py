"""The same numbers in every output, and no invalid value that leaves as a valid one.

A drive in which signals die, are absent and say "no data" is exported in every form; what each holds is
compared with the records that an inspection keeps, as other libraries read it: polars, mcap-ros2-support.
"""

from __future__ import annotations

import json
import math
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import polars
import pytest
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory

import canmap
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.vocabulary.record_types import field_types
from tests.e2e import shell
from tests.protect import protect
from tests.streams import ROOT, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.records.columns import Records

S = 1_000_000_000
STEERING, PEDALS, DRIVE, WHEELS, PANEL = 0x101, 0x111, 0x112, 0x122, 0x131


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six seconds of a drive in which much is not valid, as a text log."""
    whole = join([piece() for piece in open_captures([str(ROOT / shell.DEMO)]).pieces()])
    t_s = (whole.t_ns - whole.t_ns[0]) / S
    whole = whole.take((t_s < 8) & ~((whole.can_id == PEDALS) & (t_s > 3)) & (whole.can_id != PANEL))
    t_s = (whole.t_ns - whole.t_ns[0]) / S
    payload = whole.payload
    payload[(whole.can_id == STEERING) & (t_s > 2) & (t_s < 4), 3] &= 0x7F  # not homed
    payload[(whole.can_id == DRIVE) & (t_s > 5), 4] |= 0b11100  # gear: not available
    whole.length[(whole.can_id == WHEELS) & (t_s > 4)] = 5
    whole = protect(whole, spec_of())
    path = tmp_path_factory.mktemp("same") / "drive.log"
    with path.open("w", encoding="ascii") as file:
        for i in range(len(whole)):
            stamp, data = int(whole.t_ns[i]), bytes(whole.payload[i, : whole.length[i]]).hex().upper()
            name = whole.channels[whole.channel[i]]
            file.write(f"({stamp // S}.{stamp % S:09d}) {name} {whole.can_id[i]:03X}#{data}\n")
    return path


@pytest.fixture(scope="module")
def records(capture: Path) -> dict[str, Records]:
    names = [rule.name for rule in spec_of().records]
    kept: dict[str, Records] = canmap.inspect(capture, spec_of(), keep=names).records
    invalid = {
        f"{name}.{field}"
        for name, one in kept.items()
        for field, column in one.columns.items()
        if 0 < column.valid.sum() < len(one)
    }
    dying = {"steering.wheel_angle", "drive.throttle", "drive.gear", "wheels.rear_right", "motion.x"}
    assert invalid >= dying  # there is something to be compared
    assert len(kept["stop_button"]) == 0
    return kept


def export(capture: Path, into: Path, *options: str) -> None:
    done = shell.canmap("export", capture, "--spec", shell.CART, "--into", into, *options)
    assert done.returncode == 0, done.stderr


def told(records: Records, field: str) -> list[Any]:
    """The values of a field; None where not valid."""
    kind, column = field_types(records.type)[field].kind, records.columns[field]
    values = [kind(value) for value in column.values.tolist()]
    plain = [value.name.lower() if isinstance(value, IntEnum) else value for value in values]
    return [value if valid else None for value, valid in zip(plain, column.valid, strict=True)]


def test_in_parquet_and_csv(capture: Path, records: dict[str, Records], tmp_path: Path) -> None:
    for form in ("parquet", "csv"):
        export(capture, tmp_path / form, "--format", form)
        for name, one in records.items():
            file = tmp_path / form / f"{name}.{form}"
            frame = (
                polars.read_parquet(file)
                if form == "parquet"
                else polars.read_csv(file, infer_schema_length=None)
            )
            assert frame["stamp_ns"].to_list() == one.stamp_ns.tolist()
            for field in one.columns:
                assert frame[field].to_list() == told(one, field), (form, name, field)


def test_in_lines(capture: Path, records: dict[str, Records], tmp_path: Path) -> None:
    export(capture, tmp_path / "a.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "a.jsonl").read_text(encoding="utf-8").splitlines()]
    for name, one in records.items():
        own = [line for line in lines if line.get("record") == name]
        assert [line["stamp_ns"] for line in own] == one.stamp_ns.tolist()
        for field in one.columns:
            assert [line[field] for line in own] == told(one, field), (name, field)


def test_in_a_bag(capture: Path, records: dict[str, Records], tmp_path: Path) -> None:
    export(capture, tmp_path / "a.mcap")
    topics: dict[str, list[tuple[int, Any]]] = {}
    with (tmp_path / "a.mcap").open("rb") as file:
        reader = make_reader(file, decoder_factories=[DecoderFactory()])
        for _, channel, raw, message in reader.iter_decoded_messages(log_time_order=False):
            topics.setdefault(channel.topic, []).append((raw.log_time, message))
    own = {"battery": "/battery/record"} | {
        f"{axis}_demand": f"/demands/{axis}" for axis in ("steering", "drive", "brake")
    }
    for name, one in records.items():
        messages = dict(topics.get(own.get(name, f"/{name}"), ()))
        rows = [messages[stamp] for stamp in one.stamp_ns.tolist()]
        for field in one.columns:
            column, kind = one.columns[field], field_types(one.type)[field].kind
            assert [getattr(row, f"{field}_valid") for row in rows] == column.valid.tolist()
            values = [getattr(row, field) for row in rows]
            assert [v for v, ok in zip(values, column.valid, strict=True) if ok] == column.values[
                column.valid
            ].tolist()
            invalid = [v for v, ok in zip(values, column.valid, strict=True) if not ok]
            assert all(math.isnan(v) if kind is float else not v for v in invalid)
    for topic, name, needed in (
        ("/odom", "motion", ("speed", "yaw_rate", "x", "y", "heading")),
        ("/twist", "motion", ("speed", "yaw_rate")),
        ("/wheels/joint_states", "wheels", tuple(records["wheels"].columns)),
        ("/battery", "battery", ("voltage",)),
    ):
        one = records[name]
        sent = np.logical_and.reduce([one.columns[field].valid for field in needed])
        assert [stamp for stamp, _ in topics[topic]] == one.stamp_ns[sent].tolist()
    angle = records["steering"].columns["wheel_angle"].valid
    reports = {stamp for stamp, _ in topics["/ackermann/report"]}
    assert reports <= set(records["steering"].stamp_ns[angle].tolist())
    assert "/stop/active" not in topics  # the panel never came: whether the vehicle is stopped is not known
