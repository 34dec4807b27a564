"""`canmap transcribe`: frames keep everything that a format can hold, and what is lost is said."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.frames.capture_formats import BY_ENDING, Channels
from canmap.frames.chunks import COLUMNS, widen
from canmap.outputs.captures.writers import write_capture
from tests.captures import kept, mixed, read
from tests.streams import ROOT

if TYPE_CHECKING:
    from pathlib import Path

DEMO = ROOT / "captures" / "steering_drop.log"


def transcribe(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "canmap", "transcribe", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, cwd=ROOT)


@pytest.mark.parametrize("ending", BY_ENDING)
def test_into_every_format_and_back(tmp_path: Path, ending: str) -> None:
    path, back = tmp_path / f"drive{ending}", tmp_path / "back.parquet"
    done = transcribe(DEMO, "--into", path)
    assert (done.returncode, done.stdout) == (0, f"6,079 frames in {path}.\n")
    assert (
        done.stderr
        == {
            Channels.NAMES: "",
            Channels.NUMBERS: "In the capture, can0 is channel 1, can1 is channel 2.\n",
            Channels.ONE: "The capture mixes the frames of can0 and can1: all are on channel 1.\n",
        }[BY_ENDING[ending].writes.channels]
    )
    assert transcribe(path, "--into", back).returncode == 0
    got, expected = read(back), read(DEMO)
    for name in set(COLUMNS) - {"t_ns", "channel", "flags", "line", "payload"}:
        assert getattr(got, name).tolist() == getattr(expected, name).tolist(), name
    assert (widen(got.payload, 64) == widen(expected.payload, 64)).all()
    assert got.t_ns.tolist() == expected.t_ns.tolist()  # they are whole us, and none is moved


def test_a_part_of_several_captures(tmp_path: Path) -> None:
    whole = read(DEMO)
    first, second = tmp_path / "a.log", tmp_path / "b.blf"
    half = whole.t_ns < whole.t_ns[len(whole) // 2]
    write_capture(str(first), [whole.take(half)])
    write_capture(str(second), [whole.take(~half)])
    done = transcribe(first, second, "--from", 5, "--to", 7, "--into", tmp_path / "c.parquet")
    assert done.returncode == 0, done.stderr
    since = (whole.t_ns - whole.t_ns[0]) / 1e9
    assert len(read(tmp_path / "c.parquet")) == int(((since >= 5) & (since < 7)).sum())


def test_what_is_lost_is_said(tmp_path: Path) -> None:
    frames = mixed(100, 3)
    write_capture(str(tmp_path / "a.log"), [frames])
    with (tmp_path / "a.log").open("a") as file:
        file.write("nonsense\n")
    done = transcribe(tmp_path / "a.log", "--into", tmp_path / "a.trc")
    left = len(kept(frames, BY_ENDING[".trc"].writes))
    assert done.returncode == 0
    assert done.stdout.startswith(f"{left} frames in ")
    assert f"Left out, because the format cannot hold them: {100 - left} frames." in done.stderr
    assert "Not read: 1 line; the first is line 101 of " in done.stderr


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([DEMO, "--into", "x.txt"], "no capture is written with this ending; name one of .log, "),
        (["a.csv", "--into", "b.log"], "a.csv: there is no such file"),
        ([DEMO, "--into", DEMO], "which is an input; name another file"),
        ([DEMO, "--from", "100", "--into", "{folder}/x.log"], "holds no frame from 100 s on"),
        (
            [DEMO, "--channel", "can2", "--into", "{folder}/x.log"],
            "of channel can2; it has can0, can1",
        ),
        (
            [DEMO, "--channel", "can0=drive", "--into", "{folder}/x.log"],
            "of channel drive; it has can0, can1. To rename one: drive=can0, the new name first.",
        ),
        ([DEMO, "--channel", "a=can0", "--channel", "b=can0", "--into", "{folder}/x.log"], "under two names"),
        ([DEMO, "--into", "{folder}"], "no capture is written with this ending"),
        ([DEMO, "--into", "{folder}/nothing/x.log"], "cannot be written: there is no folder "),
        (
            [ROOT / "README.md", "--into", "{folder}/x.log"],
            "neither its first lines nor its name show its format",
        ),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(
    tmp_path: Path, arguments: list[object], complaint: str
) -> None:
    before = DEMO.read_bytes()
    done = transcribe(*(str(one).format(folder=tmp_path) for one in arguments))
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert complaint in done.stderr
    assert list(tmp_path.iterdir()) == []
    assert DEMO.read_bytes() == before


def test_from_python(tmp_path: Path) -> None:
    done = canmap.transcribe(DEMO, tmp_path / "a.mf4", (1.0, 2.0))
    assert (done.frames, done.left_out, done.channels, done.bad) == (
        len(read(done.path)),
        0,
        {"can0": "1", "can1": "2"},
        (),
    )


def test_channels_are_picked_and_named(tmp_path: Path) -> None:
    numbered, picked, named = tmp_path / "a.asc", tmp_path / "b.csv", tmp_path / "c.log"
    assert transcribe(DEMO, "--into", numbered).returncode == 0
    done = transcribe(numbered, "--channel", "2", "--into", picked)
    whole = read(DEMO)
    rear = whole.take(whole.channel == whole.channels.index("can1"))
    assert (done.stdout, done.stderr) == (
        f"{len(rear)} frames in {picked}.\n",
        "In the capture, 2 is channel 1.\n",
    )
    assert (read(picked).payload[:, :8] == rear.payload).all()
    done = transcribe(numbered, "--channel", "can1=2", "--channel", "can0=1", "--into", named)
    assert (done.returncode, done.stderr) == (0, "")
    back = read(named)
    assert np.array(back.channels)[back.channel].tolist() == np.array(whole.channels)[whole.channel].tolist()
    assert (back.payload == whole.payload).all()


def test_what_no_capture_covers_is_said(tmp_path: Path) -> None:
    lines = DEMO.read_bytes().splitlines(keepends=True)
    for name, part in (("a.log", lines[:2000]), ("b.log", lines[4000:])):
        (tmp_path / name).write_bytes(b"".join(part))
    parts = [tmp_path / "a.log", tmp_path / "b.log"]
    from_s, to_s = (float(lines[i][1:18]) - float(lines[0][1:18]) for i in (1999, 4000))
    done = transcribe(*parts, "--into", tmp_path / "c.log")
    assert done.stderr == (
        f"No capture covers can0 and can1 from {from_s:.3f} s to {to_s:.3f} s; "
        "in the new capture this looks like silence.\n"
    )
    assert transcribe(*parts, "--to", 2, "--into", tmp_path / "d.log").stderr == ""
    done = transcribe(*parts, "--channel", "can1", "--into", tmp_path / "e.log")
    assert done.stderr.startswith("No capture covers can1 from ")
