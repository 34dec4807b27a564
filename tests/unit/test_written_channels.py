"""Channels that are written: they come back as they went in, or are refused with one sentence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import OutputError
from canmap.frames.capture_formats import BY_ENDING, Channels
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read
from tests.reference.test_socketcan_packets import interface, option, packet, section

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk

NAMED = [ending for ending, one in BY_ENDING.items() if one.writes.channels is Channels.NAMES]
NUMBERED = [ending for ending, one in BY_ENDING.items() if one.writes.channels is Channels.NUMBERS]
NAMES = (
    " can0", "can0 ", "front axle", "a\tb", "a\nb", "a\rb", "a\x1b[31m", "a\xa0b",
    "a\u202eb", "a\u200fb", "\0",
    "", "\udcff", "x" * 1001, "can0", "front_axle", "1", "#", "(1.5)", "\u00e9\u4e2d", "a.b:c", "x" * 1000,
)  # fmt: skip


def refused(path: Path, frames: FrameChunk) -> str:
    """Return the sentence by which a capture is not written; empty if it is."""
    try:
        write_capture(str(path), [frames])
    except OutputError as error:
        sentence = str(error)
    else:
        return ""
    assert sentence.isprintable()
    assert list(path.parent.iterdir()) == []
    return sentence


@pytest.mark.parametrize("ending", NAMED)
@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_a_name_comes_back_as_it_went_in_or_is_refused(tmp_path: Path, name: str, ending: str) -> None:
    path = tmp_path / f"drive{ending}"
    frames = replace(mixed(20), channels=(name, "other"))
    if refusal := refused(path, frames):
        assert "cannot hold the channel" in refusal
        assert not name or not name.isprintable() or " " in name or len(name) > 1000
    else:
        got = read(path)
        assert got.bad == ()
        assert [got.channels[i] for i in got.channel] == [frames.channels[i] for i in frames.channel]


@pytest.mark.parametrize("ending", NUMBERED)
@pytest.mark.parametrize("name", ["can70000", "can" + "9" * 5000, "9" * 5000, "can000000000001"], ids=len)
def test_a_number_comes_back_as_it_is_told_or_is_refused(tmp_path: Path, name: str, ending: str) -> None:
    path = tmp_path / f"drive{ending}"
    if refusal := refused(path, replace(mixed(20), channels=(name, name))):
        assert "its channels have numbers up to" in refusal
    else:
        (number,) = {read(path).channels[i] for i in read(path).channel}
        assert number in {"70001", "2"}


@pytest.mark.parametrize("ending", [".csv", ".db", ".pcap"])
def test_a_format_without_channels_takes_any(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"drive{ending}"
    write_capture(str(path), [replace(mixed(20), channels=("9" * 5000, "a\x1bb"))])
    assert {read(path).channels[i] for i in read(path).channel} == {"1"}


def test_a_name_without_frames_is_not_looked_at(tmp_path: Path) -> None:
    frames = mixed(20)
    frames.channel[:] = 0
    write_capture(str(tmp_path / "a.log"), [replace(frames, channels=("can0", "not a name"))])
    assert len(read(tmp_path / "a.log")) == 20


def test_names_of_a_packet_capture_stay_apart(tmp_path: Path) -> None:
    """An interface's name (option 2 of draft-ietf-opsawg-pcapng) that cannot be printed is written out."""
    names = [b"1", b"a\x1bb", b"a b", b"a_b", b" a", b"a", b"\xff"]
    data = section("<") + b"".join(
        interface("<", option("<", 2, name) + option("<", 0, b"")) for name in names
    )
    data += b"".join(packet("<", i, 5_000_000) for i in range(len(names)))
    (tmp_path / "a.pcapng").write_bytes(data)
    got = read(tmp_path / "a.pcapng")
    assert [got.channels[i] for i in got.channel] == ["1", "a\\x1bb", "a b", "a_b", " a", "a", "\\xff"]


@pytest.mark.parametrize(("ending", "exact_ns"), [(".asc", 1000), (".blf", 1), (".csv", 1), (".trc", 1000)])
def test_stamps_through_the_writers_of_python_can_are_exact(
    tmp_path: Path, ending: str, exact_ns: int
) -> None:
    """So is a gap of 100 ms between two stamps since 1970, which a double of seconds cannot tell."""
    frames = mixed(2000)
    frames.kind[:], frames.flags[:], frames.length[:] = 0, 8, 0
    frames.can_id[:] = 1
    random = np.random.default_rng(4)
    steps = random.choice([100_000_000, 1_000, 999_000, 3_600_000_000_000], len(frames))
    extra = random.integers(0, 1000, len(frames)) // exact_ns * exact_ns if exact_ns < 1000 else 0
    frames.t_ns[:] = 1_760_000_000_123_457_000 + np.cumsum(steps) + extra
    path = tmp_path / f"drive{ending}"
    write_capture(str(path), [frames])
    assert read(path).t_ns.tolist() == frames.t_ns.tolist()
