"""Binary captures are walked by column: the same objects come of it as of the walk object by object."""

from __future__ import annotations

import struct
import sys
from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.binary import blfwalk, pcapng
from canmap.frames.binary.blfwalk import Walk
from canmap.frames.binary.gather import BadObjects
from canmap.frames.binary.pcap import _Records
from canmap.frames.binary.pcapng import PacketBlocks
from tests.slow_walks import SlowBlocks, SlowObjects, SlowRecords, SlowWalk

if TYPE_CHECKING:
    from collections.abc import Callable


def same(
    fast: Any, walk: Callable[[bytes], tuple[Any, int]], slow: Any, pieces: list[bytes], cuts: list[int]
) -> tuple[int, int]:
    """Give both the same bytes in the same buffers; return how many objects and bad ones came of them."""
    data = b"".join(pieces)
    bounds = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    rest, found, wrong = b"", 0, 0
    for start, stop in pairwise(bounds):
        buffer = rest + data[start:stop]
        columns, end = walk(buffer)
        rows, slow_end = slow.walk(buffer)
        assert [tuple(row) for row in np.stack(columns, 1).tolist()] == rows
        assert (end, fast.number, bool(fast.stopped)) == (slow_end, slow.number, bool(slow.stopped))
        assert fast.bad.count == len(slow.bad)
        assert [
            (number, str(why)) for number, why in sorted(fast.bad.listed, key=lambda pair: pair[0])[:100]
        ] == slow.bad[:100]
        found, wrong = found + len(rows), wrong + len(slow.bad)
        fast.bad, slow.bad, rest = BadObjects(), [], buffer[end:]
        if fast.stopped:
            break
    return found, wrong


def test_the_comparison_can_fail() -> None:
    class Blind(SlowWalk):
        def walk(self, _data: bytes) -> tuple[list[tuple[int, ...]], int]:
            return [], 0

    walk = Walk()
    with pytest.raises(AssertionError):
        same(walk, walk.objects, Blind(), [object_of(1, bytes(16))], [])


CUTS = st.lists(st.integers(0, 4000), max_size=3)


def object_of(kind: int, body: bytes, *, claimed: int | None = None) -> bytes:
    size = 16 + len(body) if claimed is None else claimed
    return struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, kind) + body


BODIES = st.one_of(
    st.binary(max_size=40),
    st.integers(0, 40).map(bytes),
    st.binary(max_size=8).map(lambda rest: rest + b"LOBJ" + rest),
    st.integers(0, 60).map(lambda size: bytes(3) + object_of(1, bytes(16), claimed=size) + bytes(8)),
)
OBJECTS = st.builds(object_of, st.sampled_from([1, 7, 86, 100, 115]), BODIES)
WRONG_SIZES = st.sampled_from([0, 4, 15, 17, 40, 90, 16 << 20, (16 << 20) + 1, 0xFFFFFFFF])
BLF_PIECES = st.lists(
    st.one_of(
        OBJECTS,
        OBJECTS,
        st.integers(0, 20).map(bytes),
        st.binary(max_size=20),
        st.sampled_from([b"LOBJ", b"LOB", b"L", b"LOBJLOBJLOBJLOBJ", b"LLOBJ"]),
        st.builds(lambda size: object_of(1, bytes(32), claimed=size), WRONG_SIZES),
    ),
    max_size=40,
)


@given(pieces=BLF_PIECES, cuts=CUTS, window=st.sampled_from([5, 16, 64, 1 << 20]), most=st.integers(1, 20))
def test_objects(pieces: list[bytes], cuts: list[int], window: int, most: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blfwalk, "WINDOW", window)
        patch.setattr(blfwalk, "MOST_DAMAGED", most)
        walk = Walk()
        same(walk, walk.objects, SlowObjects(most), pieces, cuts)


def record(order: str, size: int, *, second: int = 1, claimed: int | None = None) -> bytes:
    told = size if claimed is None else claimed
    return struct.pack(order + "4I", second, 2, told, told) + bytes(range(256))[:size]


@given(data=st.data(), order=st.sampled_from("<>"), step_ns=st.sampled_from([1, 1000]), cuts=CUTS)
def test_records(data: st.DataObject, order: str, step_ns: int, cuts: list[int]) -> None:
    sizes = data.draw(st.sampled_from([(16,), (16, 72), (16, 72, 8, 0), (16, 11, 72, 1), (11,)]))
    seconds = st.integers(0, 2**32 - 1)
    good = st.builds(lambda size, second: record(order, size, second=second), st.sampled_from(sizes), seconds)
    claims = st.sampled_from([0, 3, 60, 1 << 18, (1 << 18) + 1, 0xFFFFFFFF])
    wrong = st.builds(lambda claim: record(order, 16, claimed=claim), claims)
    pieces = data.draw(st.lists(st.one_of(good, good, good, good, wrong, st.binary(max_size=3)), max_size=40))
    walk = _Records(order, step_ns)
    same(walk, walk.walk, SlowRecords(order, step_ns), [bytes(24), *pieces], [24 + cut for cut in cuts])


def block(order: str, kind: int, body: bytes, *, claimed: int | None = None) -> bytes:
    size = 12 + len(body) if claimed is None else claimed
    return struct.pack(order + "2I", kind, size) + body + struct.pack(order + "I", size)


def option(order: str, code: int, value: bytes) -> bytes:
    return struct.pack(order + "2H", code, len(value)) + value + bytes(-len(value) % 4)


def section(order: str) -> bytes:
    return block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))


@st.composite
def interfaces(draw: st.DrawFn, order: str) -> bytes:
    body = struct.pack(order + "HHI", draw(st.sampled_from([227, 227, 227, 1])), 0, 0)
    if draw(st.booleans()):
        body += option(order, 2, draw(st.sampled_from([b"can0", b"can1"])))
    if draw(st.booleans()):
        kind = draw(st.sampled_from([0, 3, 6, 9, 10, 11, 12, 18, 127, 0x80, 0x8A, 0xA1, 0xA2, 0xA3, 0xBF]))
        body += option(order, 9, bytes([kind]))
    if draw(st.booleans()):
        seconds = draw(st.one_of(st.integers(-(10**10), 10**10), st.sampled_from([2**63 - 1, -(2**63)])))
        body += option(order, 14, struct.pack(order + "q", seconds))
    return block(order, 1, body)


@st.composite
def packets(draw: st.DrawFn, order: str) -> bytes:
    kind = draw(st.sampled_from([6, 6, 6, 6, 2, 3]))
    named = draw(st.sampled_from([0, 0, 0, 1, 2, 70000 if kind == 6 else 7]))
    size = draw(st.sampled_from([16, 16, 72, 9, 0]))
    captured = size if draw(st.integers(0, 9)) else draw(st.sampled_from([0, 3, 17, 100, 0xFFFFFFFF]))
    ticks = draw(st.one_of(st.integers(0, 2**62), st.integers(0, 2**64 - 1), st.integers(0, 2**34)))
    front = struct.pack(order + "HH" if kind == 2 else order + "I", *((named, 1) if kind == 2 else (named,)))
    body = front + struct.pack(order + "4I", ticks >> 32, ticks & 0xFFFFFFFF, captured, size)
    body += bytes(range(size)) + bytes(-size % 4)
    flags = option(order, 2, struct.pack(order + "I", draw(st.integers(0, 8))))
    options = [
        b"",
        flags,
        flags + bytes(4),
        option(order, 1, b"seen") + flags,
        option(order, 2, b"ab") + flags,
        bytes(4) + flags,
        flags[:4],
        option(order, 1, b"") + flags + flags,
        struct.pack("4H", 1, 99, 2, 4),
    ]
    body += draw(st.sampled_from(options))
    return block(order, kind, body)


@given(data=st.data(), cuts=CUTS)
def test_blocks(data: st.DataObject, cuts: list[int]) -> None:
    pieces = []
    for _ in range(data.draw(st.integers(1, 3))):
        order = data.draw(st.sampled_from("<>"))
        others = st.one_of(
            interfaces(order),
            st.integers(0, 12).map(lambda words, order=order: block(order, 5, bytes(4 * words))),
            st.sampled_from(
                [block(order, 6, bytes(8)), block(order, 1, b""), block(order, 6, b"", claimed=7)]
            ),
            st.binary(max_size=16),
        )
        some = st.lists(st.one_of(packets(order), packets(order), packets(order), packets(order), others))
        pieces += [section(order), *data.draw(st.lists(interfaces(order), max_size=2)), *data.draw(some)]
    most = data.draw(st.integers(1, 12))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pcapng, "_MOST_DESCRIBED", most)
        walk = PacketBlocks()
        slow = SlowBlocks(most)
        same(walk, walk.walk, slow, pieces, cuts)
        assert walk.channels == slow.channels


def calls_of(call: Callable[[], Any]) -> Counter[str]:
    """Return how often each function is called, of Python and of C."""
    calls: Counter[str] = Counter()

    def note(frame: Any, event: str, argument: Any) -> None:
        if event in {"call", "c_call"}:
            calls[frame.f_code.co_name if event == "call" else argument.__name__] += 1

    sys.setprofile(note)
    try:
        call()
    finally:
        sys.setprofile(None)
    return calls


PLAIN = 20_000
PLAIN_SECTION = section("<") + block("<", 1, struct.pack("<HHI", 227, 0, 0))
PLAIN_PACKET = block(
    "<", 6, struct.pack("<5I", 0, 0, 5, 16, 16) + bytes(16) + option("<", 2, b"\1\0\0\0") + bytes(4)
)


@pytest.mark.parametrize("kind", ["blf", "pcap", "pcapng"])
def test_plain_captures_are_read_by_column(kind: str) -> None:
    """Nothing is called for each object, but where they are followed from one to the next (`places`)."""
    walks: dict[str, tuple[Callable[[bytes], tuple[Any, int]], bytes]] = {
        "blf": (Walk().objects, object_of(86, bytes(32)) * PLAIN),
        "pcap": (
            _Records("<", 1000).walk,
            bytes(24) + (record("<", 16) * 9 + record("<", 72)) * (PLAIN // 10),
        ),
        "pcapng": (PacketBlocks().walk, PLAIN_SECTION + PLAIN_PACKET * PLAIN),
    }
    walk, data = walks[kind]
    found: list[int] = []
    calls = calls_of(lambda: found.append(len(walk(data)[0].number)))
    assert found == [PLAIN]
    assert calls.pop("places", 0) <= (0 if kind == "blf" else PLAIN + 10)
    assert calls.total() < PLAIN / 10
