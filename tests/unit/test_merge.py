"""Several captures as one session, worked by hand."""

from pathlib import Path

import pytest

from canmap.base.errors import CaptureError
from canmap.frames import merge
from canmap.frames.chunks import Coverage, FrameChunk
from canmap.frames.readers import open_captures

SECOND_NS = 1_000_000_000


def write(folder: Path, name: str, *lines: str) -> str:
    path = folder / name
    path.write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return str(path)


def read(*paths: str) -> list[FrameChunk]:
    source = open_captures(paths)
    try:
        return [piece() for piece in source.pieces()]
    finally:
        source.close()


def at(*seconds: float, channel: str = "can0") -> list[str]:
    return [f"({second:.6f}) {channel} 123#11" for second in seconds]


def stamps(chunks: list[FrameChunk]) -> list[float]:
    return [t_ns / SECOND_NS for chunk in chunks for t_ns in chunk.t_ns.tolist()]


def test_a_gap_between_two_captures_is_not_covered(tmp_path: Path) -> None:
    chunks = read(write(tmp_path, "b.log", *at(20, 21)), write(tmp_path, "a.log", *at(1, 2)))
    assert stamps(chunks) == [1, 2, 20, 21]
    covered = [chunk.coverage for chunk in chunks]
    assert covered[0] == (Coverage("can0", 1 * SECOND_NS),)
    assert covered[-1] == (Coverage("can0", 20 * SECOND_NS),)


def test_captures_that_touch_cover_without_a_break(tmp_path: Path) -> None:
    chunks = read(write(tmp_path, "a.log", *at(1, 2)), write(tmp_path, "b.log", *at(2, 3)))
    assert chunks[-1].coverage == (Coverage("can0", 1 * SECOND_NS),)


def test_a_channel_ends_with_the_last_capture_that_has_it(tmp_path: Path) -> None:
    chunks = read(
        write(tmp_path, "a.log", *at(1, 2, 3)), write(tmp_path, "b.log", *at(2.5, 9, channel="can1"))
    )
    assert chunks[-1].coverage == (
        Coverage("can0", 1 * SECOND_NS, 3 * SECOND_NS, recorders=0),
        Coverage("can1", int(2.5 * SECOND_NS)),
    )


def test_a_stamp_that_steps_back_stays_in_its_place(tmp_path: Path) -> None:
    # By running maximum the first capture is at 1, 5, 5, 6 and the second at 2, 5, 7.
    chunks = read(write(tmp_path, "a.log", *at(1, 5, 3, 6)), write(tmp_path, "b.log", *at(2, 5, 7)))
    assert stamps(chunks) == [1, 2, 5, 3, 5, 6, 7]


def test_classic_and_fd_captures_merge(tmp_path: Path) -> None:
    fd = "(1.5) can1 124##0" + "AB" * 64
    chunks = read(write(tmp_path, "a.log", *at(1, 2)), write(tmp_path, "b.log", fd))
    rows = [bytes(row[:length]) for c in chunks for row, length in zip(c.payload, c.length, strict=True)]
    assert rows == [b"\x11", b"\xab" * 64, b"\x11"]


def test_zero_based_and_absolute_stamps_do_not_mix(tmp_path: Path) -> None:
    paths = write(tmp_path, "abs.log", *at(1700000000)), write(tmp_path, "zero.log", *at(0, 1))
    with pytest.raises(CaptureError, match=r"zero\.log: .* count from zero.*abs\.log are absolute"):
        read(*paths)


def test_captures_without_frames_yield_their_bad_lines(tmp_path: Path) -> None:
    chunks = read(write(tmp_path, "a.log", "bad"), write(tmp_path, "b.log", "worse", "# nothing"))
    assert [(bad.capture[-5:], bad.line) for chunk in chunks for bad in chunk.bad] == [
        ("a.log", 1),
        ("b.log", 1),
    ]
    assert sum(map(len, chunks)) == 0


def test_a_capture_that_holds_nothing_is_told_of(tmp_path: Path) -> None:
    chunks = read(write(tmp_path, "a.log", *at(1, 2)), write(tmp_path, "b.log", "# nothing"))
    (bad,) = [bad for chunk in chunks for bad in chunk.bad]
    assert (bad.capture[-5:], bad.reason) == ("b.log", "it holds no frame")
    assert stamps(chunks) == [1, 2]


def test_more_channels_than_a_chunk_can_number(tmp_path: Path) -> None:
    names = [write(tmp_path, f"{n}.log", *(f"({i}.0) c{n}_{i} 123#11" for i in range(200))) for n in range(2)]
    with pytest.raises(CaptureError, match=r"0\.log, .*1\.log: .* over 256 channels"):
        read(*names)


def test_many_captures_one_after_the_other(tmp_path: Path) -> None:
    paths = [write(tmp_path, f"{n}.log", *at(*range(10 * n, 10 * n + 10))) for n in range(40)]
    chunks = read(*reversed(paths))
    assert stamps(chunks) == list(range(400))


def rounds(paths: list[str], monkeypatch: pytest.MonkeyPatch) -> int:
    """How often an input is asked for frames in a merge."""
    asked = 0
    plain = merge._Input.take_until

    def take_until(self: merge._Input, limit_ns: int, last: int) -> merge._Part:
        nonlocal asked
        asked += 1
        return plain(self, limit_ns, last)

    with monkeypatch.context() as patch:
        patch.setattr(merge._Input, "take_until", take_until)
        read(*paths)
    return asked


def test_many_captures_cost_no_more_each_than_few(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [write(tmp_path, f"{n}.log", *at(10 * n, 10 * n + 1)) for n in range(80)]
    assert rounds(paths, monkeypatch) == 4 * rounds(paths[:20], monkeypatch)


def test_a_capture_in_which_a_channel_shows_late_covers_it_from_its_begin(tmp_path: Path) -> None:
    late = write(tmp_path, "late.log", *at(1, 2, 3), *at(4, channel="can1"))
    chunks = read(late, write(tmp_path, "other.log", *at(2, 2.5, channel="can1")))
    assert [(stamps([chunk]), chunk.coverage) for chunk in chunks][-2:] == [
        ([3], (Coverage("can0", SECOND_NS), Coverage("can1", 2 * SECOND_NS, int(2.5e9), 0))),
        ([4], (Coverage("can0", SECOND_NS), Coverage("can1", 2 * SECOND_NS))),
    ]
