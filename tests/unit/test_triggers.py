"""How a message is promised to come: on a change, on an event, on request, under conditions.

Times are worked by hand; the stream is handed on whole and frame by frame, which must not differ.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import SpecError
from canmap.findings.finding import Severity
from canmap.timing.arrivals import _awaited_gaps
from canmap.timing.expected import Changes
from tests.kits import of_kind, row, serious, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

MODE = 'BO_ 256 Mode: 8 Node\n SG_ State : 0|8@1+ (1,0) [0|0] "" Other\n'
TICK = 'BO_ 512 Tick: 8 Node\n SG_ Value : 0|8@1+ (1,0) [0|0] "" Other\n'
PAGE = (
    'BO_ 768 Page: 8 Node\n SG_ Number M : 0|8@1+ (1,0) [0|0] "" Other\n'
    ' SG_ Cell m1 : 8|8@1+ (1,0) [0|0] "" Other\n'
)
WHEN = "  Tick: {period: 10 ms, stale_after: 50 ms, active_when: {Mode.State: 2}}\n"


def kit(folder: Path, messages: str, more: str = "") -> Spec:
    return spec_of(folder, MODE + TICK + PAGE, "messages:\n" + messages, end=more)


def stream(spec: Spec, mode: dict[int, int], ticks: Iterable[int], end_ms: int = 1000) -> Inspection:
    """Mode says a state from a time on, each 20 ms; Tick comes at its times."""
    rows = [row(end_ms, 0x300)]
    for t in range(0, end_ms + 1, 20):
        state = mode[max(since for since in mode if since <= t)]
        rows.append(row(t, 0x100, bytes([state, *bytes(7)])))
    rows += [row(t, 0x200) for t in ticks]
    return both(spec, sorted(rows, key=lambda one: one[0]))


def both(spec: Spec, rows: list) -> Inspection:
    chunk = frames(rows)
    whole, _ = inspected([chunk], spec)
    pieces, _ = inspected(chunk.split(range(1, len(chunk))), spec)
    assert pieces.to_json() == whole.to_json()
    return whole


def test_only_while_its_conditions_hold(tmp_path: Path) -> None:
    # Awaited from 200 to 600 ms, where it comes each 10 ms; before and after it is silent, and nobody minds.
    result = stream(kit(tmp_path, WHEN), {0: 1, 200: 2, 600: 1}, range(210, 601, 10))
    assert told(serious(result)) == []
    (tick,) = [message for message in result.messages if message.name == "Tick"]
    assert tick.period.longest_ns == 10_000_000


def test_a_silence_that_begins_while_it_is_awaited(tmp_path: Path) -> None:
    result = stream(kit(tmp_path, WHEN), {0: 2, 600: 1}, [*range(0, 301, 10), *range(400, 601, 10)])
    (finding,) = serious(result)
    assert (finding.kind, span_ms(result, finding)) == ("stale", (300, 400))


def test_a_silence_ends_with_its_conditions(tmp_path: Path) -> None:
    # The mode goes at 600 ms; from 300 ms on it was silent though awaited: 300 ms, whatever comes later.
    result = stream(kit(tmp_path, WHEN), {0: 2, 600: 1}, [*range(0, 301, 10), 900])
    (finding,) = serious(result)
    assert (finding.kind, span_ms(result, finding)) == ("stale", (300, 600))
    assert finding.text == "Tick was silent for 300 ms; it is stale after 50 ms."
    assert not finding.open


@pytest.mark.parametrize(("last", "from_start"), [(0, " from the start"), (10, "")])
def test_silences_cut_short_are_from_the_start_only_where_it_came_but_once(
    tmp_path: Path, last: int, from_start: str
) -> None:
    # Silent up to 600 ms, when its conditions end; they hold again from 700 ms on, and it stays away.
    result = stream(kit(tmp_path, WHEN), {0: 2, 600: 1, 700: 2}, range(0, last + 1, 10))
    (finding,) = serious(result)
    text = f"Tick was silent 2 times{from_start}, for up to {600 - last} ms; it is stale after 50 ms."
    assert (finding.text, finding.open) == (text, True)


def test_a_silence_begins_with_its_conditions(tmp_path: Path) -> None:
    # It came at 0 and 100 ms, unasked. Awaited from 400 ms on, it comes at 500: 100 ms, not 400 ms.
    result = stream(kit(tmp_path, WHEN), {0: 1, 400: 2}, [0, 100, *range(500, 1001, 10)])
    (finding,) = serious(result)
    assert (finding.kind, span_ms(result, finding)) == ("stale", (400, 500))


def test_still_silent_at_the_end(tmp_path: Path) -> None:
    result = stream(kit(tmp_path, WHEN), {0: 2}, range(0, 501, 10))
    (finding,) = serious(result)
    assert (span_ms(result, finding), finding.open) == ((500, 1000), True)


def test_it_never_came_while_it_was_awaited(tmp_path: Path) -> None:
    result = stream(kit(tmp_path, WHEN), {0: 1, 200: 2, 600: 1}, [])
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("missing", Severity.ERROR)
    assert span_ms(result, finding) == (200, 600)
    assert (
        finding.text
        == "Tick did not come while it was expected, for up to 400 ms; it is promised every 10 ms."
    )


def test_never_awaited_never_missed(tmp_path: Path) -> None:
    result = stream(kit(tmp_path, WHEN), {0: 1}, [])
    assert told(serious(result)) == []
    notes = [finding.text for finding in of_kind(result, "spec") if finding.place.message == "Tick"]
    assert notes == ["Tick was not checked, because it was never expected: its conditions were never met."]


def test_the_rate_is_judged_only_while_it_is_awaited(tmp_path: Path) -> None:
    # Every 40 ms while not awaited, every 10 ms while it is; then every 20 ms, which is wrong.
    spec = kit(tmp_path, WHEN)
    ticks = [*range(0, 2001, 40), *range(2010, 5001, 10)]
    assert told(serious(stream(spec, {0: 1, 2000: 2}, ticks, 5000))) == []
    ticks = [*range(0, 1991, 40), *range(2020, 5001, 20)]
    result = stream(spec, {0: 1, 2000: 2}, ticks, 5000)
    (finding,) = serious(result)
    assert (finding.kind, finding.open) == ("rate", True)
    assert span_ms(result, finding)[0] == 2020  # the first window begins with the first frame awaited


def test_a_start_up_in_which_it_may_be_missing(tmp_path: Path) -> None:
    spec = kit(tmp_path, "  Tick: {period: 10 ms, stale_after: 50 ms, start_up: 400 ms}\n")
    assert told(serious(stream(spec, {0: 0}, range(450, 1001, 10)))) == []
    result = stream(spec, {0: 0}, range(460, 1001, 10))  # the start-up ends at 400, 50 ms later it is due
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, span_ms(result, finding)) == (
        "missing",
        Severity.WARNING,
        (400, 460),
    )
    assert finding.text.startswith("Tick came only 60 ms after the end of its start-up of 400 ms")


def test_silence_before_the_end_of_the_start_up_does_not_count(tmp_path: Path) -> None:
    spec = kit(tmp_path, "  Tick: {period: 10 ms, stale_after: 50 ms, start_up: 400 ms}\n")
    assert told(serious(stream(spec, {0: 0}, [0, 10, *range(440, 1001, 10)]))) == []


def test_a_start_up_follows_the_conditions(tmp_path: Path) -> None:
    spec = kit(tmp_path, WHEN.replace("}}", "}, start_up: 200 ms}"))
    assert told(serious(stream(spec, {0: 1, 200: 2}, range(440, 1001, 10)))) == []  # due at 200 + 200 + 50
    (finding,) = serious(stream(spec, {0: 1, 200: 2}, range(460, 1001, 10)))
    assert finding.kind == "missing"


def test_on_a_change_with_a_heartbeat(tmp_path: Path) -> None:
    spec = kit(tmp_path, "  Tick: {trigger: on_change, minimum_gap: 50 ms, heartbeat: 200 ms}\n")
    times = [0, 60, 110, 310, 352, 950]  # the gap of 42 ms is within a fifth of 50; silent for 598 ms < 600
    assert told(serious(stream(spec, {0: 0}, times))) == []
    result = stream(spec, {0: 0}, [0, 60, 99, 120, 300, 350, 400, 450])  # 39 and 21 ms after the one before
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.count) == ("rate", Severity.WARNING, 2)
    assert span_ms(result, finding) == (99, 300)
    assert (finding.value, finding.limit) == (0.021, 0.05)
    assert finding.text == (
        "Tick came too soon 2 times, as little as 21 ms after the frame before; its minimum gap is 50 ms."
    )


def test_the_smallest_of_several_gaps_is_told_wherever_it_stands(tmp_path: Path) -> None:
    """Also across a cut between any two frames: `both` inspects the frames one by one, too."""
    spec = kit(tmp_path, "  Tick: {trigger: on_change, minimum_gap: 50 ms, heartbeat: 500 ms}\n")
    for times in ([0, 60, 81, 120, 300], [0, 60, 99, 120, 300], [0, 60, 99, 120, 155, 300]):
        (finding,) = serious(stream(spec, {0: 0}, times))
        assert finding.value == 0.021, times  # from 60 to 81 ms, or from 99 to 120 ms


@pytest.mark.parametrize(("trigger", "comes"), [("event", "on an event"), ("requested", "on request")])
def test_nothing_is_promised_and_a_note_says_so(tmp_path: Path, trigger: str, comes: str) -> None:
    result = stream(kit(tmp_path, f"  Tick: {{trigger: {trigger}}}\n"), {0: 0}, [5, 6, 900])
    assert serious(result) == []
    notes = [finding.text for finding in of_kind(result, "spec") if finding.place.message == "Tick"]
    assert notes == [f"Tick (line 5) is sent {comes} and has no heartbeat: its silence is not checked."]


def pages(times: dict[int, Iterable[int]]) -> list:
    rows = [row(t, 0x300, bytes([number, *bytes(7)])) for number, at in times.items() for t in at]
    return sorted(rows, key=lambda one: one[0])


def test_each_value_of_a_multiplexer_has_its_promise(tmp_path: Path) -> None:
    spec = kit(
        tmp_path,
        "  Page: {multiplexed: {Number: {0: {period: 50 ms}, 1: {period: 500 ms, stale_after: 1 s}}}}\n",
    )
    good = {0: range(0, 5001, 50), 1: range(10, 5001, 500), 7: [1234]}
    result = both(spec, pages(good))
    assert told(serious(result)) == []
    assert [f.text for f in of_kind(result, "spec") if f.place.message == "Page"] == []
    (page,) = (message for message in result.to_json()["messages"] if message["name"] == "Page")
    assert page["count"] == 101 + 10 + 1
    assert page["values"] == [
        {
            "signal": "Number",
            "value": value,
            "count": count,
            "period_ms": {"nominal": period, "median": period, "p99": period, "max": period},
        }
        for value, count, period in (("0", 101, 50.0), ("1", 10, 500.0))
    ]
    result = both(spec, pages({**good, 1: [*range(10, 2011, 500), *range(3510, 5001, 500)]}))
    (finding,) = serious(result)
    assert (finding.kind, finding.place.message) == ("stale", "Page")
    assert span_ms(result, finding) == pytest.approx((2010, 3510))
    assert finding.text == "Page with Number 1 was silent for 1.5 s; it is stale after 1 s."
    (finding,) = serious(both(spec, pages({0: good[0]})))
    assert finding.text == "Page with Number 1 never came; it is promised every 500 ms."
    (finding,) = serious(both(spec, pages({**good, 0: range(0, 5001, 80)})))
    assert (finding.kind, finding.value, finding.limit) == ("rate", 0.08, 0.05)


@pytest.mark.parametrize(
    ("text", "told_"),
    [
        ("  Page: {multiplexed: {Number: {0: {period: 1 s}, 0x0: {period: 1 s}}}}\n", "given twice"),
        ("  Page: {multiplexed: {Mode.State: {0: {period: 1 s}}}}\n", "Mode.State is not a signal of Page."),
        ("  Page: {multiplexed: {Number: {256: {period: 1 s}}}}\n", "its raw codes are 0 to 255"),
        ("  Tick: {period: 10 ms, minimum_gap: 20 ms}\n", "longer than its period"),
    ],
)
def test_mistakes(tmp_path: Path, text: str, told_: str) -> None:
    with pytest.raises(SpecError, match=told_):
        kit(tmp_path, text)


@pytest.mark.parametrize(
    ("since_ns", "anew", "gap_ns"),
    [(9, False, 10), (10, False, 10), (11, True, 9), (20, True, 0), (21, True, 0)],
)
def test_a_gap_counts_from_its_conditions_only_where_they_began_after_the_frame_before(
    since_ns: int, anew: bool, gap_ns: int
) -> None:
    """Frames at 10 and 20 ns: conditions that held when the first came leave the whole gap, 20 - 10.

    Of those that begin after the second there is none.
    """
    none = np.empty(0, np.int64)
    changes = Changes(none.astype(np.intp), none, np.array([True]), np.array([since_ns]))
    gaps, is_anew = _awaited_gaps(changes, np.array([0], np.intp), np.array([10, 20], np.int64))
    assert (gaps.tolist(), is_anew.tolist()) == ([gap_ns], [anew])


def test_a_payload_too_short_for_a_condition_does_not_fulfil_it(tmp_path: Path) -> None:
    # The state stays 2 in the last whole frame at 100 ms; from 120 ms on no payload holds it any more.
    rows = [row(t, 0x100, bytes([2, *bytes(7)]) if t <= 100 else b"") for t in range(0, 1001, 20)]
    rows += [row(t, 0x200) for t in range(10, 120, 10)]
    result = both(kit(tmp_path, WHEN), sorted(rows, key=lambda one: one[0]))
    assert {finding.kind for finding in serious(result)} == {"length"}


def test_its_own_signal_counts_from_the_next_frame_on(tmp_path: Path) -> None:
    # Value 1 asks for Tick within 50 ms. A frame is judged by the Value of the frame before it: the gaps to
    # 100 and 200 ms are too long, though the frame at 200 says 0; nothing is asked then until after 900 ms.
    spec = kit(tmp_path, WHEN.replace("Mode.State: 2", "Tick.Value: 1"))
    said = {0: 1, 100: 1, 200: 0, 500: 0, 900: 1}
    result = both(
        spec, [row(t, 0x200, bytes([value, *bytes(7)])) for t, value in said.items()] + [row(980, 0x300)]
    )
    found = [(span_ms(result, one), one.count, one.open) for one in of_kind(result, "stale")]
    assert found == [((0.0, 200.0), 2, False), ((900.0, 980.0), 1, True)]


def test_where_the_conditions_begin_and_end_any_cut_measures_the_same_gaps(tmp_path: Path) -> None:
    """The state comes between two frames, right after one, and with one: at the same time, behind it."""
    states = {10: 2, 30: 1, 50: 2, 75: 1, 80: 2}
    ticks = (5, 20, 25, 30, 40, 50, 60, 70, 85, 95)
    rows = [row(0, 0x100, bytes([1, *bytes(7)])), row(100, 0x300), *(row(t, 0x200) for t in ticks)]
    rows += [row(t, 0x100, bytes([state, *bytes(7)])) for t, state in states.items()]
    rows.sort(key=lambda one: one[0])
    spec, chunk = kit(tmp_path, WHEN), frames(rows)
    whole = both(spec, rows).to_json()
    for begin in range(len(chunk)):
        for end in range(begin, len(chunk)):
            assert inspected(chunk.split([begin, end]), spec)[0].to_json() == whole, (begin, end)
