"""Every capture in the source package of python-can: the same frames as python-can reads, or why not.

Fetch the files with `python tests/fetch_sources.py`.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, NamedTuple

import can
import pytest

from canmap.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
)
from tests.captures import read
from tests.fetch_sources import captures

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = captures()
FILES = (
    sorted(path for path in FOLDER.iterdir() if path.suffix in {".asc", ".blf", ".trc", ".gz"})
    if FOLDER.is_dir()
    else []
)

# Captures whose frames cannot have been on a bus: python-can passes them on, here each is a bad line.
IMPOSSIBLE = {
    "single_frame.asc": "the length code is more than one hexadecimal digit",  # d 40: a length, not its code
    "test_CanFdMessage.blf": "the identifier 4444444 has more bits than its kind of frame",
    "test_CanFdMessage64.blf": "the identifier 15555555 has more bits than its kind of frame",
    "test_CanMessage.blf": "the identifier 4444444 has more bits than its kind of frame",
    "test_CanMessage2.blf": "the identifier 4444444 has more bits than its kind of frame",
}
# Captures whose last line has no end: python-can takes it as whole, here it is told and not used.
UNENDED = {"test_CanMessage_V1_0_BUS1.trc", "test_CanMessage_V2_0_BUS1.trc", "test_CanMessage_V2_1.trc"}
# Fields in which python-can is wrong, and what they are; what it is wrong about in general is in `seen`.
WRONG = {
    # An error frame with a controller's error code: its identifier is that of the frame, not an error class.
    "test_CanErrorFrameExt.blf": {"can_id": 0, "length": 0, "payload": b""},
}


class Seen(NamedTuple):
    """A frame as both readers tell it; the direction is 0 where it is not told."""

    t_us: int
    channel: str
    can_id: int
    extended: bool
    kind: int
    flags: int
    length: int
    payload: bytes


def by_python_can(path: Path) -> list[Seen]:
    options = {"relative_timestamp": False} if path.suffix == ".asc" else {}
    with can.LogReader(str(path), **options) as reader:
        return [seen(message, 0 if path.suffix == ".trc" else 1) for message in reader]


def seen(message: can.Message, first_channel: int) -> Seen:
    kind = FrameKind.DATA
    if message.is_error_frame:
        kind = FrameKind.ERROR
    elif message.is_remote_frame:
        kind = FrameKind.REMOTE
    # There are no FD remote frames (ISO 11898-1), and an error frame is neither classic nor FD: python-can
    # marks them FD because an .asc writes them in a line for FD, whose flags field says the contrary.
    is_fd = message.is_fd and kind == FrameKind.DATA
    flags = FLAG_FD * is_fd | FLAG_BIT_RATE_SWITCH * (is_fd and message.bitrate_switch)
    flags |= FLAG_ERROR_PASSIVE * (is_fd and message.error_state_indicator)
    flags |= FLAG_RECEIVED if message.is_rx else FLAG_SENT
    length = message.dlc if kind != FrameKind.DATA else len(message.data)
    return Seen(
        round(message.timestamp * 1e6),
        str(message.channel + first_channel),
        message.arbitration_id,
        message.is_extended_id and kind != FrameKind.ERROR,
        kind,
        flags,
        length,
        bytes(message.data),
    )


def by_column(chunk: FrameChunk) -> list[Seen]:
    return [
        Seen(
            round(int(chunk.t_ns[i]) / 1000),
            chunk.channels[chunk.channel[i]],
            int(chunk.can_id[i]),
            bool(chunk.extended[i]),
            int(chunk.kind[i]),
            int(chunk.flags[i]),
            int(chunk.length[i]),
            b"" if chunk.kind[i] == FrameKind.REMOTE else chunk.payload[i, : chunk.length[i]].tobytes(),
        )
        for i in range(len(chunk))
    ]


def test_the_files_are_there() -> None:
    if not FILES:
        if os.environ.get("CANMAP_SOURCES") == "1":
            pytest.fail(f"no captures in {FOLDER}; run python tests/fetch_sources.py")
        pytest.skip("the source package of python-can was not fetched (python tests/fetch_sources.py)")
    assert IMPOSSIBLE.keys() | WRONG.keys() | UNENDED <= {path.name for path in FILES}
    assert len(FILES) >= 25


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_same_frames(path: Path) -> None:
    chunk = read(path)
    if path.name in IMPOSSIBLE:
        assert len(chunk) == 0
        assert {bad.reason for bad in chunk.bad} == {IMPOSSIBLE[path.name]}
        assert chunk.bad_count == len(by_python_can(path))
        return
    unended = path.name in UNENDED
    assert [bad.truncated for bad in chunk.bad] == [True] * unended
    # python-can forgets its options when it opens a compressed capture: the plain one is the measure.
    expected = by_python_can(path.with_suffix("") if path.suffix == ".gz" else path)
    got, expected = by_column(chunk), expected[: len(expected) - unended]
    assert len(got) == len(expected)
    for mine, theirs in zip(got, expected, strict=True):
        theirs = theirs._replace(**WRONG.get(path.name, {}))  # noqa: PLW2901
        if not mine.flags & (FLAG_RECEIVED | FLAG_SENT):  # not told; python-can says received
            theirs = theirs._replace(flags=theirs.flags & ~(FLAG_RECEIVED | FLAG_SENT))  # noqa: PLW2901
        assert abs(mine.t_us - theirs.t_us) <= 1  # a double of seconds tells 0.24 us, and both are rounded
        assert mine == theirs._replace(t_us=mine.t_us)
