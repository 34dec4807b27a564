"""Files that appear whole or not at all."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import threading
from pathlib import Path

import pytest

from canmap.base.errors import CaptureError, OutputError
from canmap.outputs.files import whole_text_file


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_it_takes_its_name_when_it_is_complete(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    with whole_text_file(str(target)) as file:
        file.write("30 °C\n")
        assert not target.exists()
    assert target.read_bytes() == "30 °C\n".encode()
    assert names(tmp_path) == ["out.json"]


@pytest.mark.parametrize("before", [None, "old\n"])
@pytest.mark.parametrize("failure", [ValueError, KeyboardInterrupt])
def test_a_failure_leaves_what_was_there(tmp_path: Path, before: str | None, failure: type) -> None:
    target = tmp_path / "out.json"
    if before is not None:
        target.write_text(before)
    with pytest.raises(failure), whole_text_file(str(target)) as file:  # noqa: PT012  # it fails half way
        file.write("half")
        raise failure
    assert names(tmp_path) == ([] if before is None else ["out.json"])
    assert before is None or target.read_text() == before


def test_permissions_are_those_of_a_new_file_or_of_the_old_one(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    mask = os.umask(0o027)
    try:
        with whole_text_file(str(target)) as file:
            file.write("new")
    finally:
        os.umask(mask)
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    target.chmod(0o604)
    with whole_text_file(str(target)) as file:
        file.write("newer")
    assert stat.S_IMODE(target.stat().st_mode) == 0o604


def test_a_link_is_followed_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    real, link = tmp_path / "deep" / "real.json", tmp_path / "link.json"
    real.write_text("old")
    link.symlink_to(real)
    with whole_text_file(str(link)) as file:
        file.write("new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert names(tmp_path / "deep") == ["real.json"]


def test_a_device_is_written_to_and_stays_one() -> None:
    with whole_text_file("/dev/null") as file:
        file.write("x")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    with whole_text_file(str(pipe)) as file:
        file.write("through the pipe")
    reader.join(10)
    assert got == ["through the pipe"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_dash_is_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    with whole_text_file("-") as file:
        file.write("to the screen")
    assert capsys.readouterr().out == "to the screen"


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("", r"The name of the file to write is empty"),
        (".", r"\. is a folder; name a file in it\."),
        ("missing/out.json", r"missing/out\.json cannot be written: there is no folder missing\."),
        ("a_file/out.json", r"a_file/out\.json cannot be written: a part of its path is a file\."),
    ],
)
def test_a_place_that_cannot_be_written_is_told_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a_file").touch()
    with pytest.raises(OutputError, match=sentence), whole_text_file(name):
        pytest.fail("the work began")


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    with (
        pytest.raises(OutputError, match=r"/dev/full cannot be written: no space left on device\."),
        whole_text_file("/dev/full") as file,
    ):
        file.write("x" * 100_000)
    assert names(tmp_path) == []


@pytest.mark.parametrize("place", ["/dev/null", "out.json"])
def test_a_failure_that_is_not_its_own_passes_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CaptureError, match=r"^a\.log holds no frame$"), whole_text_file(place):
        raise CaptureError("a.log holds no frame")
    with pytest.raises(BrokenPipeError), whole_text_file(place):
        raise BrokenPipeError


def test_a_file_that_was_taken_away_before_it_was_locked_is_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Between the making of a file and its lock another writer may find it without a lock.
    lock, taken = fcntl.flock, []

    def other_first(handle: int, how: int) -> None:
        if not taken:
            taken.extend(tmp_path.iterdir())
            taken[0].unlink()
        lock(handle, how)

    monkeypatch.setattr("canmap.base.unfinished.fcntl.flock", other_first)
    with whole_text_file(str(tmp_path / "out.json")) as file:
        file.write("whole")
    assert len(taken) == 1
    assert names(tmp_path) == ["out.json"]


def test_a_file_system_without_locks_loses_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_handle: int, _how: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr("canmap.base.unfinished.fcntl.flock", refused)
    with whole_text_file(str(tmp_path / "one.json")) as one:
        with whole_text_file(str(tmp_path / "two.json")) as two:
            two.write("two")
        one.write("one")
    assert names(tmp_path) == ["one.json", "two.json"]
