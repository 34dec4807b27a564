"""ASC text: what is read otherwise than python-can reads it, and lines that once ended a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.frames.chunks import FLAG_FD, FLAG_RECEIVED, FrameChunk, FrameKind
from tests.captures import read

if TYPE_CHECKING:
    from pathlib import Path

HEX = "base hex  timestamps absolute\n"
PLAIN = "   1.5 1  123 Rx d 2 11 22\n"


def chunk_of(tmp_path: Path, text: str) -> FrameChunk:
    path = tmp_path / "drive.asc"
    path.write_text(text)
    return read(path)


@pytest.mark.parametrize(
    "line",
    [
        "  30.005071 CANFD   2 Rx        300  Generic_Name_12                  1ength = 11300",
        "  30.005071 CANFD   2 Rx        300  Generic_Name_12  1 0 8",
        "  30.005071 CANFD   2 Rx        300  Name 1 0 8  8",
        "  30.005071 CANFD   2 Rx        300  Name 1 0 8  8 01 02",
    ],
)
def test_an_fd_line_with_a_name_that_is_cut_costs_that_line_alone(tmp_path: Path, line: str) -> None:
    chunk = chunk_of(tmp_path, HEX + PLAIN * 20 + line + "\n" + PLAIN * 20)
    assert (len(chunk), [bad.line for bad in chunk.bad]) == (40, [22])


def test_stamps_called_relative_are_read_as_those_called_absolute(tmp_path: Path) -> None:
    """As python-can does; what another program means by the word is not known."""
    text = HEX + PLAIN + PLAIN.replace("1.5", "2.5")
    assert chunk_of(tmp_path, text.replace("absolute", "relative")).t_ns.tolist() == [15 * 10**8, 25 * 10**8]


def test_an_empty_fd_frame_is_no_remote_frame(tmp_path: Path) -> None:
    """As python-can's writer writes it: bit 12 of the flags field. ISO 11898-1 has no FD remote frames."""
    line = "   1.5 CANFD 1 Rx 123 0 0 {} 0 0 0 {} 0 0 0 0 0\n"
    chunk = chunk_of(tmp_path, HEX + line.format(0, "1000") + line.format(5, "200050"))
    assert chunk.kind.tolist() == [FrameKind.DATA, FrameKind.REMOTE]
    assert chunk.flags.tolist() == [FLAG_FD | FLAG_RECEIVED, FLAG_RECEIVED]
    assert chunk.length.tolist() == [0, 5]


def test_directions_in_small_letters_are_what_they_say(tmp_path: Path) -> None:
    chunk = chunk_of(tmp_path, HEX + PLAIN.replace("Rx", "rx") * 20 + PLAIN.replace("Rx", "RX") * 20)
    assert set(chunk.flags.tolist()) == {FLAG_RECEIVED}


def test_a_trigger_block_without_a_date_keeps_the_start(tmp_path: Path) -> None:
    dated = "date Sat Sep 30 15:06:13.191 2017\n" + HEX
    with_block = chunk_of(tmp_path, dated + "Begin Triggerblock\n" + PLAIN + "End TriggerBlock\n")
    assert with_block.t_ns.tolist() == chunk_of(tmp_path, dated + PLAIN).t_ns.tolist()


def test_an_hour_that_no_half_of_a_day_has(tmp_path: Path) -> None:
    (bad,) = chunk_of(tmp_path, "date Sat Sep 30 15:06:13.191 pm 2017\n" + HEX + PLAIN).bad
    assert bad.reason == "the date has an impossible hour for AM or PM"


def test_a_channel_with_zeros_before_it_is_the_same_channel(tmp_path: Path) -> None:
    chunk = chunk_of(tmp_path, HEX + PLAIN * 20 + PLAIN.replace(" 1  123", " 01  123"))
    assert {chunk.channels[number] for number in chunk.channel} == {"1"}


def test_a_channel_that_is_no_number_to_be_had_is_a_bad_line(tmp_path: Path) -> None:
    chunk = chunk_of(tmp_path, HEX + PLAIN + PLAIN.replace(" 1  123", f" {'9' * 5000}  123"))
    assert [bad.reason for bad in chunk.bad] == ["the channel is not a number"]
