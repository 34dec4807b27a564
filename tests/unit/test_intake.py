"""What is wrong with the frames themselves: lengths, identifiers, stamps, lines that cannot be read."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from canmap.checks.buses.unknown_ids import LISTED_IDS, MOST_IDS
from canmap.findings.finding import Severity
from canmap.frames.chunks import FLAG_FD, BadLine, FrameKind, empty_chunk
from canmap.frames.unread import as_unread, cut_short
from tests.kits import HEAD, TICK, of_kind, row, serious, span_ms, spec_of, told
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK)


def of_lengths(*lengths: int, flags: int = 0, width: int = 64) -> FrameChunk:
    """Tick every 10 ms with payloads of these lengths."""
    chunk = empty_chunk(("can0",), len(lengths), width)
    for i, length in enumerate(lengths):
        chunk.t_ns[i] = START_NS + 10 * i * MS
        chunk.can_id[i] = 0x100
        chunk.length[i] = length
        chunk.flags[i] = flags
        chunk.line[i] = i + 1
    return chunk


def test_short_payloads(spec: Spec) -> None:
    result, _ = inspected([of_lengths(8, 3, 2, 8, 8, 8)], spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.count, finding.line) == (
        "length", Severity.ERROR, 2, 2
    )  # fmt: skip
    assert (finding.value, finding.limit) == (2, 8)
    assert span_ms(result, finding) == (10, 30)
    assert finding.text == "Tick had 2 bytes instead of 8; the signals that fit are used."


def test_long_payloads(spec: Spec) -> None:
    result, _ = inspected([of_lengths(12, 12, flags=FLAG_FD)], spec)
    (finding,) = serious(result)
    assert finding.text == "Tick has 12 bytes instead of 8 from the start; the rest is not used."
    assert finding.open


@pytest.mark.parametrize(
    ("described", "came", "right"),
    # CAN FD has payloads of 0-8, 12, 16, 20, 24, 32, 48 and 64 bytes (ISO 11898-1, DLC coding): a message
    # of 10 bytes comes in 12, one of 33 in 48.
    [
        (10, 12, True),
        (10, 10, True),
        (10, 16, False),
        (33, 48, True),
        (33, 64, False),
        (49, 64, True),
        (64, 64, True),
        (12, 12, True),
        (7, 8, False),
        *((before + 1, after, True) for before, after in pairwise((8, 12, 16, 20, 24, 32, 48, 64))),
    ],
)
def test_fd_payloads_are_padded(tmp_path: Path, described: int, came: int, right: bool) -> None:
    spec = spec_of(tmp_path, TICK.replace("Tick: 8", f"Tick: {described}"))
    result, _ = inspected([of_lengths(came, flags=FLAG_FD)], spec)
    assert (serious(result) == []) == right, told(serious(result))


def test_a_classic_frame_is_not_padded(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK.replace("Tick: 8", "Tick: 7"))
    assert len(serious(inspected([of_lengths(8)], spec)[0])) == 1


def test_an_unknown_identifier_is_noted_with_its_span(spec: Spec) -> None:
    rows = [row(0), row(10, 0x7A0), row(20, 0x123), row(30, 0x7A0), row(40)]
    result, _ = inspected([frames(rows)], spec)
    found = of_kind(result, "unknown_id")
    assert [f.text for f in found] == [
        "The description of bus drive does not know 7A0, which came 2 times.",
        "The description of bus drive does not know 123, which came 1 time.",
    ]
    assert [span_ms(result, f) for f in found] == [(10, 30), (20, 20)]
    assert {f.severity for f in found} == {Severity.NOTE}
    assert result.unknown_ids == (("can0", 0x7A0, False, 2), ("can0", 0x123, False, 1))
    assert result.verdict == "pass"


def test_29_bits_are_another_identifier(spec: Spec) -> None:
    chunk = frames([row(0), row(10), row(20)])
    chunk.extended[1] = True
    result, _ = inspected([chunk], spec)
    assert result.unknown_ids == (("can0", 0x100, True, 1),)
    assert [f.text for f in of_kind(result, "unknown_id")] == [
        "The description of bus drive does not know 00000100, which came 1 time."
    ]
    assert result.messages[0].count == 2


def test_remote_and_error_frames_are_neither_messages_nor_unknown_identifiers(spec: Spec) -> None:
    chunk = frames([row(0), row(10), row(20, 0x7A0), row(30, 0x7A0)])
    chunk.kind[1] = chunk.kind[2] = FrameKind.REMOTE
    chunk.kind[3] = FrameKind.ERROR
    result, _ = inspected([chunk], spec)
    assert result.messages[0].count == 1
    assert result.unknown_ids == ()
    capture = result.capture
    assert (capture.frames, capture.error_frames, capture.remote_frames) == (4, 1, 2)


def test_many_unknown_identifiers_are_listed_to_a_limit_and_counted_in_full(spec: Spec) -> None:
    rows = [row(i, 0x200 + i) for i in range(LISTED_IDS + 6)] + [row(999, 0x200 + LISTED_IDS)]
    result, _ = inspected([frames(rows)], spec)
    found = of_kind(result, "unknown_id")
    assert len(found) == LISTED_IDS + 1
    assert found[-1].text == "6 more unknown identifiers came in 7 frames."
    assert sum(f.count for f in found) == len(rows)
    assert len(result.unknown_ids) == LISTED_IDS + 6


def test_a_flood_of_identifiers_does_not_grow_without_end(spec: Spec) -> None:
    count = MOST_IDS + 100
    chunk = frames([row(i / 10) for i in range(count)])
    chunk.extended[:] = True
    chunk.can_id[:] = range(1000, 1000 + count)
    result, _ = inspected([chunk], spec)
    assert len(result.unknown_ids) == MOST_IDS
    assert sum(f.count for f in of_kind(result, "unknown_id")) == count
    assert "More than" in of_kind(result, "unknown_id")[-1].text


def test_a_channel_that_no_bus_listens_to(spec: Spec) -> None:
    chunk = frames([row(0), row(10, channel="can5"), row(20, channel="can5")], ("can0", "can5"))
    result, _ = inspected([chunk], spec)
    (finding,) = of_kind(result, "unknown_id")
    assert finding.text == "No bus of the spec listens to channel can5, which has 2 frames."
    assert result.unknown_ids == ()


def test_a_bus_whose_channel_is_not_there(spec: Spec) -> None:
    result, _ = inspected([frames([row(0, channel="vcan3")], ("vcan3",))], spec)
    (finding,) = of_kind(result, "missing")
    assert "which the capture does not have; it has vcan3" in finding.text
    assert 'channels={"drive": "CHANNEL"}' in finding.text
    assert result.verdict == "fail"


def bad(position: int, line: int) -> BadLine:
    return BadLine(position, "a.log", line, as_unread("it is cut off"))


def test_a_bad_line_is_dated_at_the_frame_before_it(spec: Spec) -> None:
    chunk = replace(frames([row(0), row(10), row(20)]), bad=(bad(0, 1), bad(2, 4)), bad_count=2)
    result, _ = inspected([chunk], spec)
    found = of_kind(result, "bad_line")
    assert [(span_ms(result, f)[0], f.line) for f in found] == [(0, 1), (10, 4)]
    assert found[1].text == "Line 4 of a.log cannot be read: it is cut off."
    assert result.capture.bad_lines == 2
    assert result.verdict == "pass"


def test_bad_lines_are_listed_to_a_limit_and_counted_in_full(spec: Spec) -> None:
    lines = tuple(bad(1, 2 + i) for i in range(25))
    chunk = replace(frames([row(0), row(10)]), bad=lines, bad_count=1025)  # the reader lists but some, too
    result, _ = inspected([chunk], spec)
    found = of_kind(result, "bad_line")
    assert len(found) == 21
    assert [f.line for f in found] == [*range(2, 22), None]  # in the order of the file
    assert found[-1].text == "1,005 more lines cannot be read."
    assert not any(f.open for f in found)  # each is told once, as a whole
    assert sum(f.count for f in found) == result.capture.bad_lines == 1025


def test_the_bad_lines_that_are_not_listed_last_from_the_first_of_them_to_the_end(spec: Spec) -> None:
    # The first 20 stand before the frame at 10 ms, one behind it; the capture ends at 20 ms.
    lines = (*(bad(1, 2 + i) for i in range(20)), bad(2, 30))
    chunk = replace(frames([row(0), row(10), row(20)]), bad=lines, bad_count=21)
    for pieces in ([chunk], chunk.split([1, 2])):
        result, _ = inspected(pieces, spec)
        (rest,) = [finding for finding in of_kind(result, "bad_line") if finding.line is None]
        assert (span_ms(result, rest), rest.text) == ((10, 20), "1 more line cannot be read.")


def test_a_capture_that_ends_too_early_is_told_beside_its_bad_lines(spec: Spec) -> None:
    reason = "its header speaks of 20,000 frames, 2 are there"
    end = BadLine(2, "a.blf", 3, cut_short(reason))
    lines = (*(bad(1, 2) for _ in range(25)), end)
    chunk = replace(frames([row(0), row(10), row(20)]), bad=lines, bad_count=len(lines))
    result, _ = inspected(chunk.split([1, 2]), spec)
    (finding,) = of_kind(result, "truncated")
    assert finding.text == f"a.blf ends before it should: {reason}."
    assert (finding.severity, finding.line, span_ms(result, finding)) == (Severity.WARNING, 3, (10, 10))
    assert result.capture.bad_lines == 25
    assert len(of_kind(result, "bad_line")) == 21


def test_steps_of_the_clock_are_findings(spec: Spec) -> None:
    # Back by 3 s at 1 s, set right at 1.1 s of session time; no message is stale for it.
    times = [*range(0, 1000, 50), *range(-2000, -1900, 50), *range(1100, 2000, 50)]
    result, events = inspected([frames(row(t) for t in times)], spec)
    (finding,) = serious(result)
    assert [event.finding.text.split(",")[0] for event in events] == [
        "The stamps stepped back by 2.95 s; the session clock continued from where it was.",
        "The stamps stepped back by 2.95 s",
    ]
    assert (finding.kind, finding.severity) == ("time_order", Severity.WARNING)
    assert span_ms(result, finding) == (950, 1100)
    assert finding.value == pytest.approx(-2.95)
    assert finding.text == (
        "The stamps stepped back by 2.95 s, until they had caught up; "
        "the session clock continued from where it was."
    )


def test_a_step_that_stays(spec: Spec) -> None:
    result, _ = inspected([frames(row(t) for t in (0, 5000, 10, 20))], spec)
    (finding,) = of_kind(result, "time_order")
    assert finding.open
    assert "had not caught up at the end" in finding.text


def test_an_unknown_identifier_is_counted_over_all_chunks(spec: Spec) -> None:
    chunk = frames([row(0), *(row(10 * t, 0x7A0) for t in range(1, 6)), row(60)])
    for pieces in ([chunk], chunk.split(range(1, len(chunk))), chunk.split([4])):
        result, _ = inspected(pieces, spec)
        assert result.unknown_ids == (("can0", 0x7A0, False, 5),)


def test_an_unknown_identifier_of_29_bits_is_told_with_its_own_channel(tmp_path: Path) -> None:
    head = HEAD + "  other: {description: kit.dbc, channel: can1}\n"
    chunk = frames([row(0), (row(10)[0], "can1", 0x7A0, bytes(8))], ("can0", "can1"))
    chunk.extended[1] = True
    result, _ = inspected([chunk], spec_of(tmp_path, TICK, head=head))
    assert result.unknown_ids == (("can1", 0x7A0, True, 1),)
