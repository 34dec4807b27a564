"""The contract of the capture formats: what the table says they hold is what comes back, and nothing else."""

from __future__ import annotations

import gzip
import io
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import CanmapError, CaptureError, OutputError
from canmap.frames.capture_formats import BY_ENDING, FORMATS, Channels, Holds
from canmap.frames.chunks import COLUMNS, FLAG_FD, FrameChunk, join, widen
from canmap.frames.readers import READERS, open_captures
from canmap.outputs.captures.writers import write_capture
from tests.captures import kept, mixed, read

if TYPE_CHECKING:
    from pathlib import Path


def same(got: FrameChunk, expected: FrameChunk, holds: Holds) -> None:
    """Compare all columns; stamps as exactly as the format holds them."""
    assert got.bad == ()
    assert len(got) == len(expected)
    late = np.abs(got.t_ns - expected.t_ns)
    assert late.max(initial=0) < holds.stamp_ns
    names = [[chunk.channels[number] for number in chunk.channel] for chunk in (got, expected)]
    assert names[0] == names[1]
    for column in COLUMNS:
        if column not in {"t_ns", "channel", "line", "payload"}:
            assert getattr(got, column).tolist() == getattr(expected, column).tolist(), column
    assert widen(got.payload, 64).tolist() == widen(expected.payload, 64).tolist()
    assert all(a < b for a, b in pairwise(got.line.tolist()))


@pytest.mark.parametrize("ending", BY_ENDING)
class TestContract:
    """What holds for every format that is written."""

    def holds(self, ending: str) -> Holds:
        return BY_ENDING[ending].writes

    def test_round_trip(self, tmp_path: Path, ending: str) -> None:
        frames, holds = mixed(), self.holds(ending)
        path = tmp_path / f"drive{ending}"
        left_out = write_capture(str(path), [frames.take(slice(0, 150)), frames.take(slice(150, None))])
        expected = kept(frames, holds)
        if ending in {".blf", ".asc"}:  # neither tells the direction of an error frame
            expected.flags[expected.kind == 2] = 0
        same(read(path), expected, holds)
        assert left_out == len(frames) - len(expected)

    def test_compressed_round_trip(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [mixed(50)])
        packed = tmp_path / f"drive{ending}.gz"
        packed.write_bytes(gzip.compress(path.read_bytes()))
        plain, unpacked = read(path), read(packed)
        assert unpacked.t_ns.tolist() == plain.t_ns.tolist()  # absolute where they are so uncompressed
        assert unpacked.payload.tolist() == plain.payload.tolist()

    def test_by_stream(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [mixed(50)])
        source = READERS[ending](
            "stream", io.BufferedReader(io.BytesIO(path.read_bytes())), lambda: (0, None)
        )
        assert join(piece() for piece in source.pieces()).t_ns.tolist() == read(path).t_ns.tolist()
        source.close()

    def test_empty(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [])
        if path.stat().st_size == 0:
            with pytest.raises(CaptureError, match="the file is empty"):
                open_captures([str(path)])
        else:
            chunk = read(path)
            assert (len(chunk), chunk.bad_count) == (0, 0)

    def test_one_frame(self, tmp_path: Path, ending: str) -> None:
        many, holds = mixed(), self.holds(ending)
        plain = np.flatnonzero((many.kind == 0) & (many.flags & FLAG_FD == 0) & (many.channel == 0))
        frames = many.take(plain[:1])
        frames.t_ns[:] = many.t_ns[0]  # a whole ms: the start of an .asc is no finer
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [frames])
        same(read(path), kept(frames, holds), holds)

    @pytest.mark.parametrize("share", [0.3, 0.9])
    def test_cut(self, tmp_path: Path, ending: str, share: float) -> None:
        """What stands before the cut is read and the cut is told, or the file cannot be used at all."""
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [mixed(4000)])
        whole, data = read(path), path.read_bytes()
        path.write_bytes(data[: int(len(data) * share) - 3])
        try:
            chunk = read(path)
        except CaptureError:
            unusable = True
        else:
            unusable = False
        if unusable:
            assert ending in {".parquet", ".db"}
            return
        assert 0 < len(chunk) < len(whole)
        assert chunk.bad_count > 0
        assert chunk.t_ns.tolist() == whole.t_ns[: len(chunk)].tolist()
        if ending != ".db":
            assert chunk.bad[-1].truncated

    def test_closed_before_it_is_read(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / f"drive{ending}"
        write_capture(str(path), [mixed(10)])
        source = open_captures([str(path)])
        source.close()
        source.close()


def test_every_ending_has_a_reader() -> None:
    assert set(READERS) == set(BY_ENDING) == {one.ending for one in FORMATS}


@pytest.mark.parametrize("ending", BY_ENDING)
def test_what_is_written_is_no_more_than_what_is_read(ending: str) -> None:
    one = BY_ENDING[ending]
    assert one.writes.stamp_ns >= one.reads.stamp_ns
    order = list(Channels)
    assert order.index(one.writes.channels) >= order.index(one.reads.channels)


@pytest.mark.parametrize("ending", [".log", ".pcapng", ".parquet"])
def test_stamps_and_names_are_exact(tmp_path: Path, ending: str) -> None:
    frames = mixed(100)
    frames.t_ns[:] += np.arange(100) * 7 + 1
    exact = FrameChunk(**{
        **{name: getattr(frames, name) for name in COLUMNS}, "channels": ("front_axle", "can1")
    })  # fmt: skip
    path = tmp_path / f"drive{ending}"
    write_capture(str(path), [exact])
    got = read(path)
    assert got.t_ns.tolist() == exact.t_ns.tolist()
    assert BY_ENDING[ending].writes.stamp_ns == BY_ENDING[ending].reads.stamp_ns == 1
    assert {got.channels[n] for n in got.channel} == {"front_axle", "can1"}


def test_table_keeps_line_numbers(tmp_path: Path) -> None:
    frames = mixed(20)
    frames.line[:] = np.arange(20) * 3 + 5
    write_capture(str(tmp_path / "a.parquet"), [frames])
    assert read(tmp_path / "a.parquet").line.tolist() == frames.line.tolist()


def test_endings_that_are_not_written(tmp_path: Path) -> None:
    for name in ("a.mdf", "a", "a.txt"):
        with pytest.raises(OutputError, match=r"no capture is written .* one of \.log"):
            write_capture(str(tmp_path / name), [mixed(1)])
    with pytest.raises(OutputError, match="cannot be written"):
        write_capture(str(tmp_path / "gone" / "a.csv"), [mixed(1)])
    assert list(tmp_path.iterdir()) == []


def test_content_tells_a_binary_format_whatever_the_name(tmp_path: Path) -> None:
    write_capture(str(tmp_path / "a.pcapng"), [mixed(20)])
    (tmp_path / "a.log").write_bytes((tmp_path / "a.pcapng").read_bytes())
    assert len(read(tmp_path / "a.log")) == 20


@pytest.mark.parametrize("ending", [one.ending for one in FORMATS if one.magic])
def test_ending_without_the_content(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"drive{ending}"
    path.write_text("(1.5) can0 123#11\n")
    with pytest.raises(CanmapError, match="its first bytes differ"):
        open_captures([str(path)])
