"""What the system refuses, known by its obstacle: opening, writing, starting a thread."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import OutputError, library_reason
from canmap.base.unusable import Obstacle, unread, unusable
from canmap.outputs.captures.tablefile import write_table
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed

if TYPE_CHECKING:
    from pathlib import Path

NUMBERS = {
    Obstacle.NOT_THERE: errno.ENOENT,
    Obstacle.NO_FOLDER: errno.ENOTDIR,
    Obstacle.IS_FOLDER: errno.EISDIR,
    Obstacle.CLOSED: errno.EACCES,
    Obstacle.CIRCLE: errno.ELOOP,
    Obstacle.LONG_NAME: errno.ENAMETOOLONG,
    Obstacle.OTHER: errno.EIO,
}


@pytest.mark.parametrize("obstacle", NUMBERS)
def test_an_obstacle_is_known_by_its_number_and_not_by_its_words(obstacle: Obstacle) -> None:
    found = unusable(OSError(NUMBERS[obstacle], "There is no such file; you may not"), "/x")
    assert found.obstacle is obstacle
    assert "{" not in found.why + found.unread


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    found = unread(str(tmp_path / "x"))
    assert found is not None
    assert (found.obstacle, found.unread) == (Obstacle.NOT_THERE, "there is no such file; check the path")
    assert found.why == os.strerror(errno.ENOENT).lower()
    folder = unread(str(tmp_path))
    assert folder is not None
    assert folder.obstacle is Obstacle.IS_FOLDER
    no_name = unread("a\0b")
    assert no_name is not None
    assert no_name.unread == "there is no such file, as no file can have this name; check the path"
    (tmp_path / "y").touch()
    assert unread(str(tmp_path / "y")) is None


def test_what_a_library_says_is_one_line_without_its_stop() -> None:
    assert library_reason(ValueError("odd\x1b thing.\nand a plan of it")) == "odd  thing"
    assert library_reason(ValueError()) == ""
    assert len(library_reason(ValueError("ab " * 1000))) <= 200


def test_a_full_disk_under_a_table_is_the_failure_of_the_system_itself() -> None:
    with pytest.raises(OSError, match="No space left") as caught:
        write_table("/dev/full", [mixed()])
    assert caught.value.errno == errno.ENOSPC


@pytest.mark.parametrize("ending", [".pcap", ".pcapng"])
def test_a_stamp_that_a_format_cannot_hold_names_the_file_of_the_user(tmp_path: Path, ending: str) -> None:
    chunk = mixed(3)
    chunk.t_ns[:] = -1
    path = str(tmp_path / f"drive{ending}")
    with pytest.raises(OutputError, match="cannot hold") as caught:
        write_capture(path, [chunk])
    assert caught.value.file == path
    assert str(caught.value).startswith(f"{path}: a ")
    assert list(tmp_path.iterdir()) == []
