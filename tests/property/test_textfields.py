"""The columnar readers of .asc, .csv and .trc say the same as `read` says line by line, whatever the text."""

from __future__ import annotations

import binascii
import random
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import CaptureError
from canmap.frames.chunks import FrameChunk, FrameKind
from canmap.frames.text import linewise
from canmap.frames.text.block import SLACK, TextBlock
from canmap.frames.text.line import LONGEST_LINE
from canmap.frames.text.splitting import Field, Lines
from canmap.outputs.captures.writers import write_capture
from tests.bench.readers import traffic
from tests.captures import read
from tests.fieldlogs import FORMATS, Format, read_by_column, read_by_line, text_of
from tests.textlogs import rows_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MIB = 1 << 20


@pytest.fixture(params=FORMATS)
def form(request: pytest.FixtureRequest) -> Format:
    return FORMATS[request.param]


def assert_same(text: bytes, form: Format) -> FrameChunk:
    chunk = read_by_column(text, form.grammar())
    frames, bad = read_by_line(text, form.grammar())
    assert rows_of(chunk) == frames
    assert [(one.position, one.line, one.reason) for one in chunk.bad] == bad
    assert chunk.bad_count == len(bad)
    used = np.where(chunk.kind == FrameKind.REMOTE, 0, chunk.length)
    assert not chunk.payload[np.arange(chunk.payload.shape[1]) >= used[:, np.newaxis]].any()
    return chunk


@pytest.fixture
def alone(form: Format) -> Iterator[list[str]]:
    """The lines that were read alone."""
    lines: list[str] = []
    kind = type(form.grammar())
    read_line = kind.read

    def counted(self: object, line: str) -> object:
        lines.append(line)
        return read_line(self, line)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kind, "read", counted)
        yield lines


@pytest.mark.parametrize("name", FORMATS)
@given(
    seed=st.integers(0, 2**40),
    lines=st.integers(0, 60),
    damage=st.sampled_from([0.0, 0.05, 0.3, 0.6]),
    size=st.sampled_from([50, 700, 1 << 20]),
    fewest=st.sampled_from([1, 12]),
)
def test_columns_equal_lines(name: str, seed: int, lines: int, damage: float, size: int, fewest: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(linewise, "SIZE", size)
        patch.setattr(linewise, "FEWEST_LINES", fewest)
        assert_same(text_of(random.Random(seed), FORMATS[name], lines, damage), FORMATS[name])


@pytest.mark.parametrize("name", FORMATS)
@given(lines=st.lists(st.text("0129afxXRTd ,.;=-\t\r\x0b\x85\xa0", max_size=50), max_size=30))
def test_any_fields(name: str, lines: list[str]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(linewise, "FEWEST_LINES", 1)
        header = FORMATS[name].headers[0]
        assert_same("\n".join([header, *lines, ""]).encode("latin-1"), FORMATS[name])


def test_every_odd_line_among_plain_ones(form: Format) -> None:
    rng = random.Random(5)
    for odd in form.odd:
        plain = [form.plain(rng) for _ in range(40)]
        text = "\n".join([form.headers[0], *plain[:20], odd, *plain[20:], ""])
        assert_same(text.encode("latin-1"), form)


def test_one_changed_byte_anywhere_is_seen_as_the_line_reader_sees_it(form: Format) -> None:
    rng = random.Random(11)
    characters = [chr(code) for code in range(256) if code != 10]
    for _ in range(6):
        line = form.plain(rng)
        for place in range(len(line)):
            some = rng.sample(characters, 12)
            changed = [line[:place] + other + line[place + 1 :] for other in some]
            assert_same("\n".join([form.headers[0], line, *changed, line, ""]).encode("latin-1"), form)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_plain_lines_are_read_by_column(form: Format, alone: list[str], end: str) -> None:
    rng = random.Random(3)
    text = end.join([form.headers[0], *(form.plain(rng) for _ in range(2000)), ""]).encode()
    chunk = read_by_column(text, form.grammar())
    assert len(chunk) == 2000
    headers = {line for header in form.headers for line in header.split("\n")}
    assert {line.strip() for line in alone} <= headers


@pytest.mark.parametrize("ending", [".asc", ".csv", ".trc"])
def test_written_captures_are_read_by_column(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"drive{ending}"
    write_capture(str(path), [traffic(5000, fd=True)])
    counted = 0
    read_alone = linewise._BlockReader._read_alone

    def count(*arguments: object) -> None:
        nonlocal counted
        counted += 1
        read_alone(*arguments)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(linewise._BlockReader, "_read_alone", count)
        assert len(read(path)) > 4700
    assert counted < 25  # the header and the end


@pytest.mark.parametrize("size", [1000, 1 << 20])
@pytest.mark.parametrize("longer", [-1, 0, 1, 5000])
def test_long_lines(form: Format, size: int, longer: int) -> None:
    rng = random.Random(7)
    line = form.plain(rng)
    filler = line + " " * (LONGEST_LINE + longer - len(line))
    text = "\n".join([form.headers[0], *[line] * 20, filler, *[line] * 20, ""]).encode()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(linewise, "SIZE", size)
        chunk = assert_same(text, form)
    assert chunk.bad_count == (longer > 0)


@pytest.mark.parametrize("line", [b"\n", b"\r\n", b"  \t\n", b"x" * 100_000])
def test_much_of_nothing_is_soon_read(form: Format, line: bytes) -> None:
    size = 20 * MIB
    text = (form.headers[0] + "\n").encode() + line * (size // len(line))
    began = time.process_time()
    chunk = read_by_column(text, form.grammar())
    assert (
        time.process_time() - began < 5 * size / (100 * MIB) * 3
    )  # 5 s for 100 MiB, on a machine that is busy
    assert len(chunk) == 0
    assert chunk.bad_count == (1 if line.startswith(b"x") else 0)


def test_a_date_without_end_is_soon_refused() -> None:
    """Where digits go on and on, each of them might be the year's."""
    line = b"date Wed Nov 25 -1:35:" + b"9" * 60_000 + b"\n"
    began = time.process_time()
    chunk = read_by_column(line, FORMATS["asc"].grammar())
    assert time.process_time() - began < 1
    assert [one.reason for one in chunk.bad] == ["the date is not one like Sat Sep 30 15:06:13.191 2017"]


def test_more_channels_than_a_byte_can_number() -> None:
    lines = [f"{number}.5 {number} 123 Rx d 1 11" for number in range(300)]
    with pytest.raises(CaptureError, match="more than 256 channels"):
        read_by_column("\n".join([*lines, ""]).encode(), FORMATS["asc"].grammar())


@given(data=st.data(), length=st.integers(0, 64))
def test_base64_is_read_as_the_standard_library_reads_it(data: st.DataObject, length: int) -> None:
    payload = data.draw(st.binary(min_size=length, max_size=length))
    text = bytearray(binascii.b2a_base64(payload, newline=False))
    if text and data.draw(st.booleans()):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(
            st.integers(0, 255).filter(lambda c: c != 10)
        )
    lines = lines_of(bytes(text) + b"\n", commas=True)
    field = Field(np.zeros(1, np.int64), np.array([len(text)]))
    got, wrong = lines.base64(field, np.array([length]), 8 if length <= 8 else 64)
    try:
        expected = binascii.a2b_base64(bytes(text), strict_mode=True) if text else b""
    except ValueError:
        expected = b"refused"
    if wrong[0]:
        assert len(expected) != length or binascii.b2a_base64(expected, newline=False) != text
    else:
        assert got[0].tobytes() == expected.ljust(got.shape[1], b"\0")


@given(st.lists(st.text("ab \t\r\x0b\x1c\x1f\x00\x85\xa0é", max_size=20), max_size=20))
def test_fields_are_those_of_str_split(texts: list[str]) -> None:
    lines = lines_of("".join(text + "\n" for text in texts).encode("latin-1"))
    every = np.arange(len(texts))
    assert lines.fields.tolist() == [len(text.split()) for text in texts]
    for number in range(max(map(len, map(str.split, texts)), default=0)):
        some = every[lines.fields > number]
        field = lines.field(some, number)
        got = [bytes(lines.text[at : at + size]) for at, size in zip(*field, strict=True)]
        assert got == [texts[line].split()[number].encode("latin-1") for line in some]


def lines_of(text: bytes, *, commas: bool = False) -> Lines:
    data = np.frombuffer(text + bytes(SLACK), np.uint8)
    return Lines(TextBlock("a", data, len(text), 1), commas=commas)
