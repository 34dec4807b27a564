"""One capture in every format gives the same inspection, apart from what a format declares to lose."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pytest

from canmap.frames.capture_formats import BY_ENDING, FORMATS, Channels
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.outputs.captures.writers import write_capture
from tests.streams import CART, ROOT

if TYPE_CHECKING:
    from pathlib import Path

CAPTURE = ROOT / "captures" / "steering_drop.log"
STAMP = re.compile(r"\d{4}-\d\d-\d\dT\S+Z")
HEADED = {".asc", ".csv", ".trc"}  # their lines are numbered from the header on


def inspection(path: Path, channels: tuple[str, str]) -> dict[str, Any]:
    """The JSON of an inspection, by the installed command."""
    done = subprocess.run(
        [
            *(sys.executable, "-m", "canmap", "inspect", str(path), "--spec", str(CART)),
            *("--channel", f"drive={channels[0]}", "--channel", f"chassis={channels[1]}", "--json", "-"),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        cwd=ROOT,
    )
    assert done.returncode in {0, 1}, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def alike(got: Any, expected: Any, tolerance: float, place: str = "$") -> list[str]:  # noqa: PLR0911
    """Return where two JSON values differ by more than the tolerance, in the unit of the value."""
    if isinstance(expected, dict) and isinstance(got, dict):
        if got.keys() != expected.keys():
            return [f"{place}: other keys"]
        return [
            one for key in expected for one in alike(got[key], expected[key], tolerance, f"{place}.{key}")
        ]
    if isinstance(expected, list) and isinstance(got, list):
        if len(got) != len(expected):
            return [f"{place}: {len(got)} instead of {len(expected)}"]
        pairs = enumerate(zip(got, expected, strict=True))
        return [one for i, (a, b) in pairs for one in alike(a, b, tolerance, f"{place}[{i}]")]
    if isinstance(expected, float) and isinstance(got, float):
        return [] if abs(got - expected) <= tolerance else [f"{place}: {got} instead of {expected}"]
    if isinstance(expected, str) and isinstance(got, str) and STAMP.fullmatch(expected):
        return alike(seconds(got), seconds(expected), tolerance, place)
    return [] if got == expected else [f"{place}: {got} instead of {expected}"]


def seconds(stamp: str) -> float:
    return datetime.fromisoformat(stamp).timestamp()


@pytest.fixture(scope="module")
def original() -> dict[str, Any]:
    return inspection(CAPTURE, ("can0", "can1"))


@pytest.mark.parametrize("ending", BY_ENDING)
def test_the_same_inspection(tmp_path: Path, ending: str, original: dict[str, Any]) -> None:
    holds = BY_ENDING[ending].writes
    source = open_captures([str(CAPTURE)])
    frames = join(piece() for piece in source.pieces())
    source.close()
    path = tmp_path / f"drive{ending}"
    assert write_capture(str(path), [frames]) == 0
    if holds.channels is Channels.ONE:
        # Both buses come on one channel, so the second is left out.
        path.unlink()
        write_capture(str(path), [frames.take(frames.channel == frames.channels.index("can0"))])
        got = inspection(path, ("1", "2"))
        assert got["records"] == original["records"]
        own = [each for each in original["messages"] if each["bus"] == "drive"]
        assert alike([each for each in got["messages"] if each["bus"] == "drive"], own, 0.002) == []
        return
    got = inspection(path, ("can0", "can1") if holds.channels is Channels.NAMES else ("1", "2"))
    expected = json.loads(json.dumps(original))
    assert sum(got["capture"]["channels"].values()) == sum(expected["capture"]["channels"].values())
    for one in (got, expected):
        del one["capture"]["files"], one["capture"]["channels"]
        for finding in one["findings"] if ending in HEADED else ():
            del finding["line"]
        one["unknown_ids"] = [{**row, "channel": ""} for row in one["unknown_ids"]]
    # A stamp to 1 us shows in ms of periods as 0.001.
    tolerance = 0 if holds.stamp_ns == 1 else 0.002
    assert alike(got, expected, tolerance) == []


def test_the_formats_are_listed() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "canmap", "formats"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        cwd=ROOT,
        env={"COLUMNS": "120", "PATH": ""},
    )
    lines = done.stdout.splitlines()
    for one in FORMATS:
        first, note = [line for line in lines if line.startswith(one.ending + " ")]
        if not one.extra:
            assert first.split()[1] == "yes"
        assert note == f"{one.ending:9} {one.name}: {one.note}"
