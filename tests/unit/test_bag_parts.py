"""`FILE.part`: what becomes of it when its writer ends, and what an earlier one left."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import stat
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import pytest
from mcap.reader import NonSeekingReader, SeekingReader

from canmap.base.errors import OutputError
from canmap.outputs.bags.bagwriter import BagWriter
from tests.baggroups import (
    ORIGIN,
    many,
    messages,
    read_rows,
    rows_of,
    schema_of,
    streamed_rows,
    topic,
    write_bag,
)

ROOT = Path(__file__).parent.parent.parent
ONE = topic("a")


def begun(path: Path, **options: object) -> BagWriter:
    return BagWriter(str(path), [ONE], schema_of, ORIGIN, **options)


def test_a_bag_has_another_name_until_it_is_whole(tmp_path: Path) -> None:
    writer = begun(tmp_path / "a.mcap")
    writer.write([messages(ONE, [0], [b"x"])])
    assert [path.name for path in tmp_path.iterdir()] == ["a.mcap.part"]
    writer.close(whole=True)
    assert [path.name for path in tmp_path.iterdir()] == ["a.mcap"]
    assert writer.part is None
    assert writer.messages == 1


def test_complete_chunks_are_in_the_part_while_it_is_written(tmp_path: Path) -> None:
    group = messages(ONE, list(range(100)), [b"x" * 1000] * 100)
    writer = begun(tmp_path / "a.mcap", most_messages=10)
    writer.write([group])
    writer.write([])
    there = writer.messages
    assert there >= 10
    assert streamed_rows(tmp_path / "a.mcap.part") == rows_of([group], [ONE])[:there]
    writer.close(whole=True)


def test_of_a_run_that_failed_everything_stays_that_was_handed_on(tmp_path: Path) -> None:
    writer = begun(tmp_path / "a.mcap")
    writer.write([messages(ONE, [0, 1, 2], [b"x", b"y", b"z"])])
    writer.close(whole=False)
    writer.close(whole=False)  # once more does no harm
    assert writer.part == str(tmp_path / "a.mcap.part")
    assert [path.name for path in tmp_path.iterdir()] == ["a.mcap.part"]
    assert writer.messages == 3


def test_nothing_stays_of_a_run_without_messages_or_where_it_is_not_wanted(tmp_path: Path) -> None:
    begun(tmp_path / "a.mcap").close(whole=False)
    writer = begun(tmp_path / "a.mcap")
    writer.write([messages(ONE, [0], [b"x"])])
    writer.close(whole=False, keep=False)
    assert writer.part is None
    assert list(tmp_path.iterdir()) == []


def test_a_part_of_an_earlier_run_is_not_replaced_unasked(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer = begun(path)
    writer.write([messages(ONE, [0], [b"x"])])
    writer.close(whole=False)
    part = tmp_path / "a.mcap.part"
    before = part.read_bytes()
    with pytest.raises(OutputError, match=r"a\.mcap\.part --into .*a\.mcap, remove it"):
        begun(path)
    assert part.read_bytes() == before
    begun(path, overwrite=True).close(whole=True)
    assert [one.name for one in tmp_path.iterdir()] == ["a.mcap"]


def test_an_empty_part_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "a.mcap.part").touch()
    begun(tmp_path / "a.mcap").close(whole=True)
    assert [one.name for one in tmp_path.iterdir()] == ["a.mcap"]


def test_a_part_that_is_being_written_is_left_alone(tmp_path: Path) -> None:
    part = tmp_path / "a.mcap.part"
    with part.open("wb") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(OutputError, match="is being written by another program"):
            begun(tmp_path / "a.mcap", overwrite=True)
    assert part.exists()


@pytest.mark.parametrize("kind", ["folder", "pipe", "link"])
def test_something_else_that_has_the_name_of_the_part_is_left_alone(tmp_path: Path, kind: str) -> None:
    part = tmp_path / "a.mcap.part"
    if kind == "folder":
        part.mkdir()
    elif kind == "pipe":
        os.mkfifo(part)
    else:
        (tmp_path / "other").write_text("mine")
        part.symlink_to("other")
    with pytest.raises(OutputError):
        begun(tmp_path / "a.mcap", overwrite=True)
    assert part.is_symlink() or part.is_dir() or part.is_fifo()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "The name of the file to write is empty"),
        ("away/a.mcap", "there is no folder"),
        ("folder", "is a folder; name a file in it"),
        ("new/", "is a folder; name a file in it"),
        ("n" * 252, "its name is longer than the system allows"),
        ("a\0b", "no file can have this name"),
    ],
)
def test_where_it_cannot_be_written_is_known_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("folder").mkdir()
    with pytest.raises(OutputError, match=said):
        BagWriter(name, [ONE], schema_of, ORIGIN)
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_permissions_are_those_of_a_new_file_or_of_the_one_it_replaces(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        begun(tmp_path / "new.mcap").close(whole=True)
    finally:
        os.umask(before)
    (tmp_path / "old.mcap").write_text("")
    (tmp_path / "old.mcap").chmod(0o604)
    begun(tmp_path / "old.mcap").close(whole=True)
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("new.mcap", "old.mcap")]
    assert modes == [0o640, 0o604]


def test_a_link_stays_one(tmp_path: Path) -> None:
    (tmp_path / "away").mkdir()
    (tmp_path / "a.mcap").symlink_to("away/b.mcap")
    begun(tmp_path / "a.mcap").close(whole=True)
    assert (tmp_path / "a.mcap").is_symlink()
    assert [path.name for path in (tmp_path / "away").iterdir()] == ["b.mcap"]


def test_into_a_pipe_as_it_comes(tmp_path: Path) -> None:
    groups = many(500)
    topics = [group.topic for group in groups]
    pipe, got = tmp_path / "pipe.mcap", tmp_path / "got.mcap"
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: got.write_bytes(pipe.read_bytes()))
    reader.start()
    write_bag(pipe, topics, [groups])
    reader.join(20)
    assert pipe.is_fifo()
    assert read_rows(got, NonSeekingReader) == rows_of(groups, topics)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["got.mcap", "pipe.mcap"]


def test_a_full_device_is_a_sentence() -> None:
    with pytest.raises(OutputError, match=r"/dev/full cannot be written: no space left on device\."):
        begun(Path("/dev/full"))


# A disk that is full after 40,000 bytes: what is handed on cannot be written from the third chunk on.
FULL = """
    import resource, signal, sys
    from canmap.base.errors import OutputError
    from tests.baggroups import *

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))
    group = messages(topic("a"), range(60), [bytes(np.random.default_rng(i).bytes(1000)) for i in range(60)])
    writer = BagWriter(sys.argv[1], [group.topic], lambda _: "", ORIGIN, most_messages=15)
    try:
        writer.write([group])
        writer.close(whole=True)
    except OutputError as error:
        print(error)
        writer.close(whole=False)
    print(writer.part, writer.messages)
"""


def test_on_a_full_disk_the_complete_chunks_stay(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FULL), str(tmp_path / "a.mcap")],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    part = tmp_path / "a.mcap.part"
    assert done.stdout == f"{tmp_path}/a.mcap cannot be written: file too large.\n{part} 30\n", done.stderr
    assert 30_000 < part.stat().st_size <= 40_000
    assert [path.name for path in tmp_path.iterdir()] == [part.name]


class StopError(Exception):
    """What a signal raises in these tests."""


def test_a_signal_waits_until_what_was_handed_on_is_noted(tmp_path: Path) -> None:
    """The file stays one that can be closed as whole, wherever the signal comes."""

    def raise_stop(*_: object) -> None:
        raise StopError

    group = many(8_000, topics=1, least=50, most=60)[0]
    before = signal.signal(signal.SIGALRM, raise_stop)
    try:
        for after_s in (0.0005, 0.002, 0.004, 0.008):
            path = tmp_path / "a.mcap"
            writer = BagWriter(str(path), [group.topic], schema_of, ORIGIN, most_messages=500)
            with contextlib.suppress(StopError):
                signal.setitimer(signal.ITIMER_REAL, after_s)
                writer.write([group])
                signal.setitimer(signal.ITIMER_REAL, 0)
            writer.close(whole=True)
            assert writer.messages in (0, 8_000)  # none: it came before
            assert len(read_rows(path, SeekingReader)) == writer.messages
            path.unlink()
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
