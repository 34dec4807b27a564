"""Opening captures: compression, standard input, and files that cannot be used."""

import bz2
import gzip
import lzma
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from canmap.base.errors import CaptureError, UsageError
from canmap.frames.chunks import FrameChunk, join
from canmap.frames.readers import open_captures
from tests.textlogs import rows_of

# 40,000 lines, so that there are several blocks; the payload says which line it is.
TEXT = b"".join(b"(1700000000.%06d) can0 123#%08X\n" % (number, number) for number in range(40_000))
COMPRESS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": gzip.compress,
    ".bz2": bz2.compress,
    ".xz": lzma.compress,
    "": bytes,
}


def read(path: Path | str) -> FrameChunk:
    source = open_captures([str(path)])
    try:
        return join(piece() for piece in source.pieces())
    finally:
        source.close()
        source.close()


def numbers(chunk: FrameChunk) -> list[int]:
    return [int.from_bytes(frame.payload, "big") for _, frame in rows_of(chunk)]


@pytest.mark.parametrize("ending", COMPRESS)
@pytest.mark.parametrize("stem", ["drive.log", "drive", "drive.txt", "DRIVE.LOG"])
def test_compressed(tmp_path: Path, stem: str, ending: str) -> None:
    path = tmp_path / (stem + ending)
    path.write_bytes(COMPRESS[ending](TEXT))
    chunk = read(path)
    assert numbers(chunk) == list(range(40_000))
    assert chunk.line.tolist() == list(range(1, 40_001))
    assert chunk.bad_count == 0


def test_compressed_in_several_members(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    half = len(TEXT) // 2
    path.write_bytes(gzip.compress(TEXT[:half]) + gzip.compress(TEXT[half:]))
    assert numbers(read(path)) == list(range(40_000))


def test_line_ends_of_another_system(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(TEXT.replace(b"\n", b"\r\n"))
    assert numbers(read(path)) == list(range(40_000))


@pytest.mark.parametrize("ending", [".gz", ".bz2", ".xz"])
@pytest.mark.parametrize("kept", [0.5, 0.99])
def test_cut_compressed_capture_gives_what_came_before(tmp_path: Path, ending: str, kept: float) -> None:
    path = tmp_path / ("drive.log" + ending)
    # Noise keeps the compressed form long, so that there is a before even in large blocks.
    noise = b"".join(b"(1.5) can0 123#%s\n" % os.urandom(8).hex().encode() for _ in range(60_000))
    whole = COMPRESS[ending](noise)
    path.write_bytes(whole[: int(len(whole) * kept)])
    chunk = read(path)
    count = len(chunk)
    assert 0 < count < 60_000
    assert [frame.payload.hex().encode() for _, frame in rows_of(chunk)] == [
        line[-16:] for line in noise.splitlines()[:count]
    ]
    assert [(bad.position, bad.line) for bad in chunk.bad] == [(count, count + 1)]
    assert chunk.bad[0].reason == "it ends before it should: its compressed data are not complete"
    assert chunk.bad[0].capture == str(path)


def test_damaged_compressed_capture_gives_what_came_before(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    data = bytearray(gzip.compress(TEXT))
    data[len(data) // 2 : len(data) // 2 + 200] = bytes(200)
    path.write_bytes(data)
    chunk = read(path)
    count = len(chunk)
    # What the damage decodes to before it shows may be anything; the bytes before it decode exactly.
    assert numbers(chunk)[:10_000] == list(range(10_000))
    assert count < 40_000
    assert chunk.bad_count >= 1
    assert "cannot be read from here on" in chunk.bad[-1].reason


def test_compressed_capture_without_a_whole_line(tmp_path: Path) -> None:
    path = tmp_path / "drive.log.gz"
    path.write_bytes(gzip.compress(TEXT, 0)[:40])
    with pytest.raises(CaptureError, match=r"drive\.log\.gz: it ends .* and no frame comes before"):
        read(path)


@pytest.mark.parametrize("ending", [".gz", ".bz2", ".xz"])
def test_compressed_capture_damaged_from_the_beginning(tmp_path: Path, ending: str) -> None:
    path = tmp_path / ("drive.log" + ending)
    path.write_bytes(COMPRESS[ending](TEXT)[:7] + b"\xee" * 100)
    with pytest.raises(CaptureError, match=r"damaged from its beginning"):
        read(path)


LAST_LINES = {
    ".log": ("(1.5) can0 123#", "0102030405060708", 1),
    ".asc": ("   1.5 1  123 Rx d 8 ", "01 02 03 04 05 06 07 08", 2),
    ".csv": ("1.5,0x123,0,0,0,8,", "AQIDBAUGBwg=", 2),
    ".trc": ("  1  1.5 DT 1 0123 Rx - 8 ", "01 02 03 04 05 06 07 08", 3),
}
HEADERS = {
    ".asc": "base hex  timestamps absolute\n",
    ".csv": "timestamp,arbitration_id,extended,remote,error,dlc,data\n",
    ".trc": ";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n",
}


@pytest.mark.parametrize("ending", LAST_LINES)
def test_a_last_line_without_its_end_is_never_taken_as_whole(tmp_path: Path, ending: str) -> None:
    """However it is cut: at an even digit of the payload, and with all of it there but the line end."""
    begin, payload, line = LAST_LINES[ending]
    head = HEADERS.get(ending, "") + begin + payload + "\n"
    path = tmp_path / f"drive{ending}"
    for kept in range(1, len(begin + payload) + 1):
        path.write_text(head + (begin + payload)[:kept])
        chunk = read(path)
        assert len(chunk) == 1
        if (begin + payload)[:kept].strip():
            (bad,) = chunk.bad
            assert (bad.line, bad.truncated) == (line + 1, True)
            assert bad.reason == "it ends before it should, in the middle of a line"
    path.write_text(head + " \t\r")
    assert (len(read(path)), read(path).bad) == (1, ())


def test_an_fd_frame_cut_after_its_marks_is_no_classic_one(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_text("(1.5) can0 123##1AB\n(1.6) can0 123##1AB"[:-3])
    chunk = read(path)
    assert (len(chunk), [bad.truncated for bad in chunk.bad]) == (1, [True])


def test_empty(tmp_path: Path) -> None:
    for name, data in {"a.log": b"", "b.log.gz": b"", "c.log.gz": gzip.compress(b""), "d": b""}.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(CaptureError, match=rf"{name}: the file is empty"):
            open_captures([str(tmp_path / name)])


def test_missing(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"gone\.log: there is no such file"):
        open_captures([str(tmp_path / "gone.log")])


def test_folder(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="this is a folder"):
        open_captures([str(tmp_path)])


def test_name_that_cannot_be_one() -> None:
    with pytest.raises(CaptureError, match="there is no such file, as no file can have this name"):
        open_captures(["a\0b.log"])


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_not_allowed(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(TEXT)
    path.chmod(0)
    with pytest.raises(CaptureError, match="may not read"):
        open_captures([str(path)])


@pytest.mark.parametrize("name", ["drive.log", "drive.log.gz", "drive.asc", "drive"])
def test_binary(tmp_path: Path, name: str) -> None:
    data = b"ELSE\x90\0\0\0" + bytes(range(256))
    (tmp_path / name).write_bytes(gzip.compress(data) if name.endswith("gz") else data)
    with pytest.raises(CaptureError, match=r"not a text log.*\.log \(SocketCAN text\)"):
        open_captures([str(tmp_path / name)])


@pytest.mark.parametrize("coding", ["utf-16", "utf-16-be"])
def test_text_in_utf_16_is_called_that(tmp_path: Path, coding: str) -> None:
    text = TEXT.decode().encode(coding)
    (tmp_path / "drive.log").write_bytes(text if coding == "utf-16" else b"\xfe\xff" + text)
    with pytest.raises(CaptureError, match=r"this text is in UTF-16, .*; save it as UTF-8\."):
        open_captures([str(tmp_path / "drive.log")])


def test_a_line_of_one_column_is_told_in_the_singular(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_bytes(b"Time;ID;D0\n0,1\n")
    source = open_captures([str(tmp_path / "sheet.csv")])
    told = [bad.reason for piece in source.pieces() for bad in piece().bad]
    assert told == ["the line has 1 column instead of 7", "the line has 2 columns instead of 7"]


def test_nothing_named() -> None:
    with pytest.raises(UsageError, match="No capture is named"):
        open_captures([])


def test_standard_input_twice() -> None:
    with pytest.raises(UsageError, match="named twice"):
        open_captures(["-", "a.log", "-"])


def test_all_are_closed_when_one_cannot_be_opened(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(TEXT)
    with pytest.raises(CaptureError, match="no such file"):
        open_captures([str(tmp_path / "a.log"), str(tmp_path / "gone.log")])
    # A file left open would warn when it is collected, and warnings are errors here.


def test_closing_early(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(TEXT * 20)
    source = open_captures([str(path)])
    assert len(next(source.pieces())()) > 0
    source.close()
    source = open_captures([str(path)])
    source.close()


READ_STANDARD_INPUT = """
from canmap.frames.readers import open_captures
source = open_captures(["-"])
chunks = [piece() for piece in source.pieces()]
print(source.captures, sum(map(len, chunks)), sum(chunk.bad_count for chunk in chunks))
"""


@pytest.mark.parametrize("ending", COMPRESS)
def test_pipe(ending: str) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", READ_STANDARD_INPUT],
        input=COMPRESS[ending](TEXT),
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.split() == [b"('-',)", b"40000", b"0"]
    assert done.stderr == b""


def test_ending_the_program_while_a_pipe_is_silent() -> None:
    program = """
from canmap.frames.readers import open_captures
source = open_captures(["-"])
pieces = source.pieces()
print(len(next(pieces)()), flush=True)
"""
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin
        assert process.stdout
        assert process.stderr
        process.stdin.write(TEXT[:300_000])  # more than the first block, less than the second
        process.stdin.flush()
        assert int(process.stdout.readline()) > 0
        assert process.wait(timeout=30) == 0  # with the pipe still open
        assert process.stderr.read() == b""
