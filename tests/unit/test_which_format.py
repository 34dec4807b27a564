"""Which format a capture is taken for: its content tells, then its ending; archives get advice."""

from __future__ import annotations

import gzip
import io
import subprocess
import sys
import tarfile
import zipfile
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import CaptureError
from canmap.frames.readers import open_captures
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read

if TYPE_CHECKING:
    from pathlib import Path

TEXTS = (".log", ".asc", ".csv", ".trc")
READ = """
from canmap.frames.readers import open_captures
print(sum(len(piece()) for piece in open_captures(["-"]).pieces()))
"""


def written(tmp_path: Path, ending: str) -> tuple[bytes, int]:
    path = tmp_path / f"drive{ending}"
    left_out = write_capture(str(path), [mixed(50)])
    return path.read_bytes(), 50 - left_out


@pytest.mark.parametrize("ending", TEXTS)
@pytest.mark.parametrize("other", [*TEXTS, "", ".txt", ".log.gz"])
def test_a_text_is_known_by_its_lines_whatever_its_ending(tmp_path: Path, ending: str, other: str) -> None:
    data, frames = written(tmp_path, ending)
    path = tmp_path / f"other{other}"
    path.write_bytes(gzip.compress(data) if other.endswith(".gz") else b"? what is this\n" + data)
    assert len(read(path)) == frames


@pytest.mark.parametrize("ending", TEXTS)
@pytest.mark.parametrize("packed", [False, True])
def test_an_editors_mark_before_the_first_line_costs_no_frame(
    tmp_path: Path, ending: str, packed: bool
) -> None:
    data, frames = written(tmp_path, ending)
    path = tmp_path / f"edited{ending}{'.gz' if packed else ''}"
    marked = b"\xef\xbb\xbf" + data
    path.write_bytes(gzip.compress(marked) if packed else marked)
    whole = read(path)
    assert (len(whole), whole.bad) == (frames, ())


@pytest.mark.parametrize("ending", [*TEXTS, ".blf", ".pcapng"])
def test_standard_input_is_known_by_what_it_holds(tmp_path: Path, ending: str) -> None:
    data, frames = written(tmp_path, ending)
    done = subprocess.run(
        [sys.executable, "-c", READ], input=data, capture_output=True, check=True, timeout=60
    )
    assert done.stdout.split() == [str(frames).encode()]


def test_a_text_in_no_known_format_is_refused_unless_its_ending_tells(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("hello\nworld\n")
    with pytest.raises(
        CaptureError, match=r"neither its first lines nor its name show its format.*\.log, \.asc"
    ):
        open_captures([str(tmp_path / "a.txt")])
    (tmp_path / "a.yaml").write_text("hello: world\n")
    with pytest.raises(CaptureError, match="this is a spec or a description, and no capture"):
        open_captures([str(tmp_path / "a.yaml")])
    (tmp_path / "a.log").write_text("hello\nworld\n")
    assert read(tmp_path / "a.log").bad_count == 2


def archives() -> dict[str, bytes]:
    zipped, tarred = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as archive:
        archive.writestr("a.log", "(1.5) can0 123#11\n")
    with tarfile.open(fileobj=tarred, mode="w") as tar:
        tar.addfile(tarfile.TarInfo("a.log"), io.BytesIO(b""))
    # RFC 8878, 3.1.1: a Zstandard frame begins with 0xFD2FB528, little endian.
    return {
        ".zip": zipped.getvalue(), ".tar": tarred.getvalue(), ".zst": b"\x28\xb5\x2f\xfd" + bytes(20),
        ".tar.gz": gzip.compress(tarred.getvalue()), ".log.gz": gzip.compress(gzip.compress(b"x")),
    }  # fmt: skip


@pytest.mark.parametrize("ending", archives())
@pytest.mark.parametrize("name", ["as it is", "as a .log"])
def test_an_archive_gets_advice(tmp_path: Path, ending: str, name: str) -> None:
    path = tmp_path / ("drive" + (ending if name == "as it is" else ".log"))
    path.write_bytes(archives()[ending])
    with pytest.raises(CaptureError, match=r"this is a .* archive; unpack it and name the captures in it"):
        open_captures([str(path)])


def test_a_gz_that_is_none(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    path.write_text("(1.5) can0 123#11\n")
    with pytest.raises(CaptureError, match=r"this is not a \.gz file: its first bytes differ"):
        open_captures([str(path)])
