"""`canmap transcribe` into packed captures, and to standard output: what is written reads back equal."""

from __future__ import annotations

import lzma
import subprocess
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import OutputError
from canmap.frames.capture_formats import BY_ENDING
from canmap.frames.chunks import COLUMNS, widen
from canmap.frames.readers import _COMPRESSIONS
from canmap.outputs.captures.packedfile import PACKINGS
from canmap.outputs.captures.writers import write_capture
from tests.captures import kept, mixed, read
from tests.e2e.shell import COMMAND, DEMO, LONGEST_S, ROOT, canmap, environment
from tests.streams import frames

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk


def assert_equal(got: FrameChunk, expected: FrameChunk) -> None:
    for name in set(COLUMNS) - {"channel", "line", "payload"}:
        assert getattr(got, name).tolist() == getattr(expected, name).tolist(), name
    assert (widen(got.payload, 64) == widen(expected.payload, 64)).all()


def test_whatever_is_unpacked_is_packed() -> None:
    assert list(PACKINGS) == [one.ending for one in _COMPRESSIONS]


@pytest.mark.parametrize("packing", PACKINGS)
@pytest.mark.parametrize("ending", BY_ENDING)
def test_every_format_packed_reads_back_as_unpacked(tmp_path: Path, ending: str, packing: str) -> None:
    chunk = kept(mixed(300, 1), BY_ENDING[ending].writes)
    parts = [chunk.take(slice(0, 100)), chunk.take(slice(100, None))]
    plain, packed, again = (tmp_path / f"{name}{ending}" for name in ("a", "b", "c"))
    packed, again = packed.with_name(packed.name + packing.upper()), again.with_name(again.name + packing)
    assert write_capture(str(plain), parts) == write_capture(str(packed), parts) == 0
    with packed.open("rb") as file:
        assert file.read(6).startswith(next(one.magic for one in _COMPRESSIONS if one.ending == packing))
    expected, got = read(plain), read(packed)
    assert_equal(got, expected)
    assert [got.channels[i] for i in got.channel] == [expected.channels[i] for i in expected.channel]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([plain.name, packed.name])
    if ending in (".log", ".pcap", ".pcapng"):  # the others hold the time at which they were made
        write_capture(str(again), [chunk])
        assert again.read_bytes() == packed.read_bytes()


def test_from_the_command_line(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    done = canmap("transcribe", DEMO, "--into", path)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"6,079 frames in {path}.\n", "")
    assert_equal(read(path), read(ROOT / DEMO))
    assert path.stat().st_size < (ROOT / DEMO).stat().st_size / 3


def test_to_standard_output_packed_or_not(tmp_path: Path) -> None:
    for form in ([], ["--format", "pcapng"], ["--format", "log.xz"], ["--format", ".log.gz"]):
        done = subprocess.run(
            [*COMMAND, "transcribe", DEMO, "--into", "-", *form],
            cwd=ROOT, env=environment(), capture_output=True, timeout=LONGEST_S, check=True,
        )  # fmt: skip
        assert done.stderr == b"6,079 frames on standard output.\n"
        path = tmp_path / f"back.{form[1] if form else 'log'}"
        path.write_bytes(done.stdout)
        assert_equal(read(path), read(ROOT / DEMO))


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--into", "-", "--format", "blf"], "Standard output is not an ordinary file; only .log, "),
        (["--into", "-", "--format", "mf4.gz"], "Standard output is not an ordinary file; only .log, "),
        (
            ["--into", "/dev/stdout", "--format", "txt"],
            "no capture is written with the ending .txt; name one of .log, .pcap, .pcapng.",
        ),
        (["--into", "{folder}/x.gz"], "no capture is written with this ending; name one of .log"),
        (["--into", "{folder}/x.log", "--format", "log.gz"], "but the format asked for is log.gz"),
        (["--into", "{folder}/no/x.mf4.gz"], "cannot be written: there is no folder "),
        (["--into", "{folder}/x.mf4.xz", "--from", "100"], "holds no frame from 100 s on"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_in_a_line(tmp_path: Path, arguments: list[str], complaint: str) -> None:
    done = canmap("transcribe", DEMO, *(one.format(folder=tmp_path) for one in arguments))
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert complaint in done.stderr
    assert list(tmp_path.iterdir()) == []


def alike(count: int) -> FrameChunk:
    """The same frame over and over, at the same time."""
    return frames([(0, "can0", 1, bytes(8))]).take(np.zeros(count, np.intp))


@pytest.mark.parametrize("ending", [".log.xz", ".mf4.bz2"])
def test_what_no_reader_would_unpack_is_refused(tmp_path: Path, ending: str) -> None:
    path, many = tmp_path / f"a{ending}", alike(900_000)
    with pytest.raises(
        OutputError, match=r"a\.\w+\.\w+: these frames pack to less than a 64th of their size"
    ):
        write_capture(str(path), [many])
    assert list(tmp_path.iterdir()) == []
    write_capture(str(path), [many.take(slice(0, 100_000))])  # little enough for any reader
    assert len(read(path)) == 100_000


def test_a_reader_does_not_unpack_what_is_refused(tmp_path: Path) -> None:
    plain, packed = tmp_path / "a.log", tmp_path / "a.log.xz"
    write_capture(str(plain), [alike(900_000)])
    packed.write_bytes(lzma.compress(plain.read_bytes(), preset=0))
    done = canmap("transcribe", packed, "--into", tmp_path / "back.log")
    assert "they unpack to more than 64 times their size" in done.stderr


def test_a_disk_that_is_full_leaves_nothing(tmp_path: Path) -> None:
    for into in ("a.log.gz", "a.mf4.gz"):
        line = f"ulimit -f 8; exec {' '.join(COMMAND)} transcribe {ROOT / DEMO} --into {into}"
        done = subprocess.run(
            ["bash", "-c", line],
            cwd=tmp_path, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip
        assert done.returncode == 2
        assert done.stderr == f"canmap: {into} cannot be written: file too large.\n"
        assert list(tmp_path.iterdir()) == []


def test_a_reader_that_hangs_up_ends_it_quietly() -> None:
    line = f"{' '.join(COMMAND)} transcribe {DEMO} --into - | head -1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["bash", "-c", line],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[1] == "141"
    assert done.stderr == ""
