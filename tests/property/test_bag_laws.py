"""The cut law of bags, and that any messages come back as they went in, from a bag cut off anywhere too."""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mcap.reader import NonSeekingReader, SeekingReader

from canmap.base.errors import CaptureError
from canmap.outputs.bags.bagfinish import finish_bag
from canmap.outputs.bags.messagerecords import copy_blocks
from canmap.outputs.bags.sealing import Compression
from tests.baggroups import (
    START_NS,
    TYPES,
    many,
    messages,
    read_rows,
    rows_of,
    steps_of,
    streamed_rows,
    summary_of,
    topic,
    write_bag,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.topics.topic_messages import TopicMessages

LIMITS = st.sampled_from([{}, {"most_messages": 1}, {"most_messages": 5}, {"full_bytes": 200}])
CUTS = st.lists(st.integers(0, 14), max_size=8)


@st.composite
def topic_messages(draw: st.DrawFn) -> list[TopicMessages]:
    """A few topics with any messages, several a frame, stamps that go back, payloads of any lengths."""
    groups = []
    for number in range(draw(st.integers(1, 4))):
        frame = sorted(draw(st.lists(st.integers(0, 12), max_size=12)))
        payloads = [
            draw(st.sampled_from([b"", b"\x01", bytes(range(7)), b"\x5a" * 8, bytes(range(100)), b"x" * 65]))
            for _ in frame
        ]
        stamps = [draw(st.integers(0, 1 << 63 - 1)) if draw(st.booleans()) else START_NS for _ in frame]
        groups.append(messages(topic(f"t{number}", TYPES[number % 3]), frame, payloads, stamps))
    return groups


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


@given(groups=topic_messages(), cuts=CUTS, limits=LIMITS, compression=st.sampled_from(Compression))
def test_however_the_stream_is_cut_into_steps_the_file_is_the_same(
    folder: Path,
    groups: list[TopicMessages],
    cuts: list[int],
    limits: dict[str, int],
    compression: Compression,
) -> None:
    topics = [group.topic for group in groups]
    options = {"compression": compression, **limits}
    whole = write_bag(folder / "whole.mcap", topics, [groups], **options)
    steps = write_bag(folder / "steps.mcap", topics, steps_of(groups, cuts), **options)
    assert steps.read_bytes() == whole.read_bytes()
    single = [[group] for step in steps_of(groups, range(14)) for group in step]  # topics of a frame apart
    apart = write_bag(folder / "apart.mcap", topics, single, **options)
    assert apart.read_bytes() == whole.read_bytes()


@given(groups=topic_messages(), cuts=CUTS, limits=LIMITS, compression=st.sampled_from(Compression))
def test_any_messages_come_back(
    folder: Path,
    groups: list[TopicMessages],
    cuts: list[int],
    limits: dict[str, int],
    compression: Compression,
) -> None:
    topics = [group.topic for group in groups]
    wanted = rows_of(groups, topics)
    bag = write_bag(folder / "a.mcap", topics, steps_of(groups, cuts), compression=compression, **limits)
    assert read_rows(bag, NonSeekingReader) == wanted
    statistics = summary_of(bag).statistics
    assert statistics is not None
    counts = {number: len(group) for number, group in enumerate(groups, 1) if len(group)}
    assert statistics.channel_message_counts == counts
    stamps = [stamp for _, stamp, _ in wanted] or [0]
    assert (statistics.message_start_time, statistics.message_end_time) == (min(stamps), max(stamps))
    in_time = [row[1] for row in read_rows(bag, SeekingReader)]
    assert sorted(in_time) == sorted(stamps if wanted else [])


@given(groups=topic_messages(), limits=LIMITS, share=st.floats(0, 1))
def test_a_bag_cut_off_anywhere_is_finished_with_all_complete_chunks(
    folder: Path, groups: list[TopicMessages], limits: dict[str, int], share: float
) -> None:
    topics = [group.topic for group in groups]
    data = write_bag(folder / "whole.mcap", topics, [groups], **limits).read_bytes()
    part, into = folder / "a.part", folder / "finished.mcap"
    part.write_bytes(data[: int(share * (len(data) - 1))])
    try:
        told = finish_bag(str(part), str(into), overwrite=True)
    except CaptureError:  # cut off in its header
        assert part.stat().st_size <= 40
        return
    rows = read_rows(into, NonSeekingReader)
    assert rows == streamed_rows(part) == rows_of(groups, topics)[: told.messages]
    assert told.damaged == 0


@given(
    groups=topic_messages(),
    limits=LIMITS,
    compression=st.sampled_from(Compression),
    place=st.floats(0, 1),
    flip=st.integers(1, 255),
)
def test_of_a_damaged_part_nothing_is_made_up(
    folder: Path,
    groups: list[TopicMessages],
    limits: dict[str, int],
    compression: Compression,
    place: float,
    flip: int,
) -> None:
    topics = [group.topic for group in groups]
    bag = write_bag(folder / "whole.mcap", topics, [groups], compression=compression, **limits)
    data = bytearray(bag.read_bytes())
    data[int(place * (len(data) - 100))] ^= flip
    part, into = folder / "a.part", folder / "finished.mcap"
    part.write_bytes(data[:-9])
    try:
        finish_bag(str(part), str(into), overwrite=True)
    except CaptureError:
        return
    rows = Counter(row[1:] for row in read_rows(into, SeekingReader))
    assert rows <= Counter(row[1:] for row in rows_of(groups, topics))


@given(blocks=st.lists(st.binary(max_size=70), max_size=20), seed=st.integers(0, 99))
def test_blocks_of_any_lengths_are_copied(blocks: list[bytes], seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(blocks))
    length = np.array([len(block) for block in blocks], np.int64)
    start = np.cumsum([0, *length])[:-1].astype(np.int64)
    place = np.zeros_like(start)
    place[order] = np.cumsum([3, *(length[order] + 3)])[:-1]
    into = np.zeros(int(length.sum()) + 3 * len(blocks) + 3, np.uint8)
    copy_blocks(into, place, np.frombuffer(b"".join(blocks), np.uint8), start, length)
    wanted = bytes(3) + b"".join(blocks[i] + bytes(3) for i in order)
    assert into.tobytes()[: len(wanted)] == wanted


def test_many_steps_of_many_lengths(tmp_path: Path) -> None:
    """Longer than what is laid out at once, and than the chunks."""
    groups = many(50_000, least=0, most=40)
    topics = [group.topic for group in groups]
    chance = np.random.default_rng(3)
    bags = [
        write_bag(
            tmp_path / f"{i}.mcap", topics, steps_of(groups, chance.integers(0, 50_000, i * i).tolist())
        )
        for i in (0, 4, 20)
    ]
    assert len({bag.read_bytes() for bag in bags}) == 1
    assert read_rows(bags[0], NonSeekingReader) == rows_of(groups, topics)
