"""The columnar reader says the same as the one that reads line by line, whatever the text and its cutting."""

import io
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.chunks import FrameChunk, FrameKind
from canmap.frames.text import block as textblock
from canmap.frames.text.line import LONGEST_LINE, parse_line
from canmap.frames.text.log import blocks
from tests.textlogs import read_by_column, read_by_line, rows_of, text_of

SIZES = st.lists(st.sampled_from([1, 7, 45, 300, 2000, 100_000]), min_size=1, max_size=4)


def assert_same(text: bytes, sizes: list[int]) -> None:
    chunk = read_by_column(text, sizes)
    frames, bad = read_by_line(text)
    assert rows_of(chunk) == frames
    assert [(one.position, one.line, one.reason) for one in chunk.bad] == bad
    assert chunk.bad_count == len(bad)
    assert set(chunk.channels) == {frame.channel for _, frame in frames}
    assert_nothing_beyond_length(chunk)


def assert_nothing_beyond_length(chunk: FrameChunk) -> None:
    used = np.where(chunk.kind == FrameKind.REMOTE, 0, chunk.length)
    beyond = np.arange(chunk.payload.shape[1]) >= used[:, np.newaxis]
    assert not chunk.payload[beyond].any()
    assert chunk.payload.shape[1] == (64 if (chunk.length > 8).any() else 8)


@given(
    seed=st.integers(0, 2**40),
    lines=st.integers(0, 90),
    shapes=st.integers(1, 4),
    damage=st.sampled_from([0.0, 0.02, 0.3, 0.9]),
    sizes=SIZES,
)
def test_columns_equal_lines(seed: int, lines: int, shapes: int, damage: float, sizes: list[int]) -> None:
    assert_same(text_of(random.Random(seed), lines, shapes, damage), sizes)


@given(
    seed=st.integers(0, 2**40),
    damage=st.sampled_from([0.1, 0.6]),
)
def test_columns_equal_lines_where_even_one_line_is_read_by_column(seed: int, damage: float) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(textblock, "FEWEST_ROWS", 1)
        patch.setattr(textblock, "ROWS_AT_ONCE", 5)
        assert_same(text_of(random.Random(seed), 60, 2, damage), [100_000])


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=60),
            st.text("(1.) can0#R_FDfaé\t\r", max_size=50).map(str.encode),
            st.from_regex(
                rb"\([0-9]{1,3}\.[0-9]{2}\) (can0|b) [0-9A-Fa-f]{3}#{1,2}[0-9A-Fa-f.]{0,18}", fullmatch=True
            ),
        ),
        max_size=40,
    ),
    SIZES,
)
def test_any_bytes(lines: list[bytes], sizes: list[int]) -> None:
    assert_same(b"\n".join(lines), sizes)


def test_one_changed_byte_anywhere_is_seen_as_the_line_reader_sees_it() -> None:
    line = b"(1700000000.000000) can0 260#08FFFB0000001884 R"
    good = [line] * 20
    for place in range(len(line)):
        changed = [line[:place] + bytes([byte]) + line[place + 1 :] for byte in range(256) if byte != 10]
        text = b"\n".join([*good, *changed, *good])
        for start in range(0, len(changed), 64):  # so that no chunk has more bad lines than it lists
            assert_same(b"\n".join([*good, *changed[start : start + 64], *good]), [len(text)])


@pytest.mark.parametrize(
    ("good", "odd"),
    [
        (b"(1.5) can0 123#1122334455667788", b"(1.5) can0 923#1122334455667788"),
        (b"(1.5) can0 12345678#11", b"(1.5) can0 32345678#11"),
        (b"(1.5) can0 12345678#1122334455667788", b"(1.5) can0 32345678#1122334455667788"),
        (b"(1.5) can0 12345678##11122334455667788", b"(1.5) can0 32345678##11122334455667788"),
        (b"(1.5) can0 123##1" + b"11" * 12, b"(1.5) can0 123##1" + b"11" * 13),
        (b"(1.5) can0 123#11 R", b"(1.5) can0 123#11 X"),
        (b"(1.5) can0 123#11", "(1.5) ca\u00a00 123#11".encode()),
        (b"(9223372035.000000) can0 123#11", b"(9223372036.000000) can0 123#11"),
    ],
)
def test_odd_lines_among_good_ones(good: bytes, odd: bytes) -> None:
    assert_same(b"\n".join([good] * 20 + [odd] * 20 + [good]), [1 << 20])


@pytest.mark.parametrize("length", [LONGEST_LINE - 40, LONGEST_LINE, LONGEST_LINE + 1, 3 * LONGEST_LINE])
@pytest.mark.parametrize("size", [1000, LONGEST_LINE, 1 << 20])
@pytest.mark.parametrize("end", [b"", b"\n", b"\n(2.5) can0 123#11\n"])
def test_huge_line_is_bad_and_not_kept(length: int, size: int, end: bytes) -> None:
    head = b"(1.5) can0 123#11\n"
    text = head + b"x" * length + end
    assert_same(text, [size])
    held = max(
        len(block.data) for block in blocks("a", io.BufferedReader(io.BytesIO(text)), iter([size] * 999))
    )
    assert held <= LONGEST_LINE + 1 + size + textblock.SLACK


def test_more_channels_than_a_byte_can_number() -> None:
    text = b"".join(b"(1.5) c%03d 123#11\n" % number for number in range(300))
    chunk = read_by_column(text, [100_000])
    assert len(chunk) == 256
    assert chunk.bad_count == 44
    assert chunk.bad[0].line == 257
    assert "more than 256 channel names" in chunk.bad[0].reason


@pytest.mark.parametrize(
    ("names", "rare"),
    [
        ((b"can0", b"can1"), b""),
        ((b"front_axle_left", b"front_axle_lift"), b""),
        ((b"can0", b"can1"), b"(1.5) x 12345678#\n"),
    ],
)
def test_lines_are_not_read_one_by_one(
    names: tuple[bytes, bytes], rare: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone: list[bytes] = []

    def read_alone(line: bytes) -> object:
        alone.append(line)
        return parse_line(line)

    monkeypatch.setattr(textblock, "parse_line", read_alone)
    text = b"".join(b"(1.500000) %s 123#11223344\n" % names[number % 2] for number in range(1000))
    chunk = read_by_column(rare + text, [100_000])
    assert [chunk.channels[number] for number in chunk.channel[-2:]] == [name.decode() for name in names]
    assert len(chunk) == 1000 + bool(rare)
    assert len(alone) < 5


def test_what_is_no_log_is_not_read_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(textblock, "MOST_ALONE", 100)
    good, odd = b"(1.5) can0 123#11\n", b"(1.5) can0 123#1\n"
    text = good + odd * 950 + b"(1.5) can0 123#R\n"
    chunk = read_by_column(text, [100_000])
    assert (len(chunk), chunk.bad_count) == (1, 951)
    assert "odd number of digits" in chunk.bad[-1].reason
    chunk = read_by_column(good * 100 + text, [100_000])  # now a tenth are frames
    assert (len(chunk), chunk.bad_count) == (102, 950)


def test_empty_lines_hold_nothing() -> None:
    good = b"(1.5) can0 123#11\n"
    chunk = read_by_column(b"\n\r\n" * 50 + good + b"\r\n" * 50 + good * 20 + b"\n", [100_000])
    assert (len(chunk), chunk.bad_count) == (21, 0)
    assert chunk.line.tolist() == [101, *range(152, 172)]


def test_bad_lines_are_listed_up_to_a_hundred_and_counted_in_full() -> None:
    chunk = read_by_column(b"(1.5) can0 123#1\n" * 250, [100_000])
    assert len(chunk.bad) == 100
    assert chunk.bad_count == 250
    assert chunk.bad[-1].line == 100
