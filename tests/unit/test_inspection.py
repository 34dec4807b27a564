"""The JSON of an inspection: its keys, and what stands in them."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.frames.chunks import BadLine
from canmap.frames.unread import as_unread
from tests.kits import TICK, row, spec_of
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

# The keys that programs rely on: the published contract, written down here by hand.
TOP = {"schema", "capture", "messages", "unknown_ids", "records", "findings", "verdict"}
CAPTURE = {"files", "frames", "start", "duration_s", "channels", "bad_lines"}
MESSAGE = {"bus", "name", "id", "count", "sender", "period_ms"}
PERIOD = {"nominal", "median", "p99", "max"}
UNKNOWN = {"channel", "id", "count"}
RECORD = {"type", "count", "fields"}
FIELD = {"unit", "min", "max", "mean", "last", "last_age_s", "valid"}
FINDING = {
    "kind", "severity", "bus", "message", "signal", "record", "field", "start_s", "end_s", "start_at",
    "end_at", "open", "count", "value", "limit", "text", "line",
}  # fmt: skip
MORE_OF_FINDING = {"facts", "beside", "parts"}  # where there are any
MORE = {"vehicle", "error_frames", "remote_frames", "changes", "change_counts"}  # said beyond the contract

SPEC = """\
records:
  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V, range: [0 V, 9 V]}}
"""


def told(folder: Path, shift_ns: int = 0) -> dict[str, Any]:
    spec = spec_of(folder, TICK, SPEC, periods_ms={256: 10})
    rows = [row(10 * i, data=bytes([i, 0, 0, 0, 0, 0, 0, 0])) for i in range(12)] + [row(111, 0x7A0)]
    chunk = frames(rows)
    chunk.t_ns[:] += shift_ns
    chunk = replace(chunk, bad=(BadLine(3, "a.log", 4, as_unread("it is cut off")),), bad_count=1)
    said = inspected([chunk], spec)[0].to_json()
    return json.loads(json.dumps(said, allow_nan=False))


def test_the_keys_are_those_of_the_contract(tmp_path: Path) -> None:
    said = told(tmp_path)
    assert set(said) - MORE == TOP
    assert set(said["capture"]) - MORE == CAPTURE
    assert {key for message in said["messages"] for key in message} == MESSAGE
    assert set(said["messages"][0]["period_ms"]) == PERIOD
    assert set(said["unknown_ids"][0]) == UNKNOWN
    assert set(said["records"]["battery"]) == RECORD
    assert set(said["records"]["battery"]["fields"]["voltage"]) == FIELD
    assert len(said["findings"]) >= 3
    assert all(set(finding) - MORE_OF_FINDING == FINDING for finding in said["findings"])


def test_what_stands_in_them(tmp_path: Path) -> None:
    said = told(tmp_path)
    assert said["schema"] == "canmap/inspection/1"
    assert said["capture"] == {
        "files": ["test"], "frames": 13, "start": "2023-11-14T22:13:20.000000Z", "duration_s": 0.111,
        "channels": {"can0": 13}, "bad_lines": 1, "error_frames": None, "remote_frames": 0,
    }  # fmt: skip
    assert said["messages"] == [
        {
            "bus": "drive", "name": "Tick", "id": "100", "count": 12, "sender": "Node",
            "period_ms": {"nominal": 10.0, "median": 10.0, "p99": 10.0, "max": 10.0},
        }
    ]  # fmt: skip
    assert said["unknown_ids"] == [{"channel": "can0", "id": "7A0", "count": 1}]
    # 0 + 1 + ... + 11 = 66 over 12; the last came at 110 ms, and the session ends at 111 ms.
    voltage = {"unit": "V", "min": 0, "max": 11, "mean": 5.5, "last": 11, "last_age_s": 0.001, "valid": 1.0}
    assert said["records"]["battery"] == {
        "type": "Battery", "count": 12,
        "fields": {"voltage": voltage},
    }  # fmt: skip
    (high,) = [finding for finding in said["findings"] if finding["kind"] == "out_of_range"]
    assert (high["start_s"], high["end_s"], high["open"], high["count"]) == (0.1, 0.111, True, 2)
    assert (high["start_at"], high["end_at"]) == (
        "2023-11-14T22:13:20.100000Z",
        "2023-11-14T22:13:20.111000Z",
    )
    assert (high["value"], high["limit"], high["line"]) == (11, 9, 11)
    assert said["verdict"] == "fail"


def test_stamps_that_count_from_zero_have_no_date(tmp_path: Path) -> None:
    said = told(tmp_path, shift_ns=-START_NS)
    assert said["capture"]["start"] is None
    assert all(finding["start_at"] is finding["end_at"] is None for finding in said["findings"])
    assert [f["start_s"] for f in said["findings"]] == [f["start_s"] for f in told(tmp_path)["findings"]]


def test_findings_are_by_start(tmp_path: Path) -> None:
    starts = [finding["start_s"] for finding in told(tmp_path)["findings"]]
    assert starts == sorted(starts)
    assert not any(math.isnan(start) for start in starts)


def test_a_negative_stamp_is_a_stamp(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK)
    chunk = frames([row(0), row(10)])
    chunk.t_ns[:] -= START_NS + 5 * MS
    result, _ = inspected([chunk], spec)
    assert result.capture.duration_s == pytest.approx(0.01)
    assert result.to_json()["capture"]["start"] is None
