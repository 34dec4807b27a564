"""What rolling counters lead to: which frames are not used, and loss, standing and restart told apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.findings.finding import Severity
from tests import kits
from tests.finding_numbers import lacking
from tests.kits import row, serious, span_ms, spec_of
from tests.simulated import run_of, short_drive
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

TICK = """\
BO_ 256 Tick: 8 Node
 SG_ Value : 0|16@1+ (1,0) [0|100] "" Other
 SG_ Counter : 48|4@1+ (1,0) [0|0] "" Other
 SG_ Check : 56|8@1+ (1,0) [0|0] "" Other
"""
TOCK = TICK.replace("256 Tick", "512 Tock")
PAGES = """\
BO_ 256 Tick: 8 Node
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Left m0 : 8|8@1+ (1,0) [0|0] "" Other
 SG_ Right m1 : 8|8@1+ (1,0) [0|0] "" Other
 SG_ Counter : 48|4@1+ (1,0) [0|0] "" Other
"""
RECORDS = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"


def spec(tmp_path: Path, counter: str = "", dbc: str = TICK, more: str = RECORDS) -> Spec:
    said = f"messages:\n  Tick: {{counter: {{signal: Counter{counter}}}}}\n"
    return spec_of(tmp_path, dbc, said + more, periods_ms={0x100: 10})


def tick(counter: int, value: int = 0) -> bytes:
    return value.to_bytes(2, "little") + bytes(4) + bytes([counter, 0])


def judged(found: Spec, sent: Iterable[tuple[float, int]], can_id: int = 0x100) -> Inspection:
    """Inspect frames (time in ms, counter), whole and frame by frame: it must be the same."""
    rows = [row(t_ms, can_id, tick(counter)) for t_ms, counter in sent]
    return whole_and_cut(found, rows)


def whole_and_cut(found: Spec, rows: list[tuple]) -> Inspection:
    chunk = frames(rows)
    whole, _ = inspected([chunk], found)
    cut, _ = inspected(chunk.split(range(len(chunk) + 1)), found)
    assert whole.to_json() == cut.to_json()
    assert [
        lacking(finding) for finding in whole.findings if lacking(finding) and finding.kind != "spec"
    ] == []
    return whole


def only(result: Inspection) -> Finding:
    (finding,) = serious(result)
    return finding


def test_a_counter_in_turn_is_no_finding_and_gets_no_note(tmp_path: Path) -> None:
    result = judged(spec(tmp_path), ((10 * i, i % 16) for i in range(100)))
    assert not result.findings
    assert result.record_summaries["battery"].count == 100


def test_a_lost_frame(tmp_path: Path) -> None:
    finding = only(judged(spec(tmp_path), ((10 * i, i % 16) for i in range(100) if i != 50)))
    assert (finding.kind, finding.severity, finding.count) == ("loss", Severity.WARNING, 1)
    assert finding.text == "1 frame of Tick was lost; its counter went on."
    assert (finding.place.message, finding.place.signal) == ("Tick", "Counter")


def test_a_tenth_of_the_frames_lost_is_one_finding(tmp_path: Path) -> None:
    finding = only(judged(spec(tmp_path), ((10 * i, i % 16) for i in range(1000) if i % 10 != 5)))
    assert (finding.kind, finding.count) == ("loss", 100)
    assert (
        finding.text == "100 of 992 frames of Tick (10 %) were lost, up to 1 in a row; its counter went on."
    )


def test_more_in_a_row_than_the_receiver_accepts_is_an_error(tmp_path: Path) -> None:
    sent = [(10 * i, i % 16) for i in range(100) if not 50 <= i < 53]
    accepting, strict = (
        only(judged(spec(tmp_path, ", largest_delta: 4"), sent)),
        spec(tmp_path, ", largest_delta: 3"),
    )
    assert accepting.severity is Severity.WARNING
    finding = only(judged(strict, sent))
    assert (finding.severity, finding.value, finding.limit) == (Severity.ERROR, 3, 2)
    assert finding.text.endswith("its counter went on, by more than the 3 that are accepted.")


def test_a_counter_that_stands_is_one_finding_and_its_frames_are_not_used(tmp_path: Path) -> None:
    sent = [(10 * i, min(i, 40) % 16 if i < 60 else (i - 19) % 16) for i in range(100)]
    result = judged(spec(tmp_path), sent)
    finding = only(result)
    assert (finding.kind, finding.severity, finding.count) == ("counter", Severity.ERROR, 19)
    assert finding.text == "The counter of Tick stood at 8: 19 frames repeated it and are not used."
    assert span_ms(result, finding) == pytest.approx((410, 600))
    assert result.record_summaries["battery"].count == 81
    assert result.messages[0].count == 100  # they came all the same: neither stale nor at a wrong rate


def test_frames_sent_twice_with_their_counter_standing(tmp_path: Path) -> None:
    finding = only(judged(spec(tmp_path), ((10 * i, i // 2 % 16) for i in range(100))))
    assert finding.text == "50 frames of Tick repeated the counter of the frame before and are not used."


def test_what_a_failed_frame_says_is_out_of_no_range(tmp_path: Path) -> None:
    found = spec(tmp_path)
    rows = [row(10 * i, data=tick(i % 16)) for i in range(50)]
    rows[20] = row(200, data=tick(19 % 16, value=999))
    kinds = {finding.kind for finding in serious(whole_and_cut(found, rows))}
    assert kinds == {"counter", "loss"}  # 20 was never sent
    rows[20] = row(200, data=tick(20 % 16, value=999))
    assert {finding.kind for finding in serious(whole_and_cut(found, rows))} == {"out_of_range"}


@pytest.mark.parametrize(("jumps", "severity"), [(1, Severity.WARNING), (4, Severity.ERROR)])
def test_a_jump_that_lost_frames_do_not_explain(tmp_path: Path, jumps: int, severity: Severity) -> None:
    sent = [(10 * i, (i + 11 * min(max(i - 50, 0), jumps)) % 16) for i in range(100)]
    finding = only(judged(spec(tmp_path), sent))
    assert (finding.kind, finding.severity, finding.value) == ("counter", severity, 12)
    times = "by 12" if jumps == 1 else "4 times, by up to 12"
    assert finding.text.startswith(f"The counter of Tick jumped {times} of its 16 values, which")


def test_a_value_that_is_never_sent(tmp_path: Path) -> None:
    found = spec(tmp_path, ", wrap: 14, reserved: [15]")
    sent = [(10 * i, 15 if i == 30 else i % 15) for i in range(100)]
    assert only(judged(found, sent)).text == "The counter of Tick was 15; it goes from 0 to 14."
    values = [*range(1, 7), *range(8, 16)]
    sent = [(10 * i, 7 if i in {30, 31} else values[i % 14]) for i in range(100)]
    finding = only(judged(spec(tmp_path, ", start: 1, reserved: 7"), sent))
    assert finding.text == "The counter of Tick was 7 in 2 frames; it goes from 1 to 15 without it."


def test_a_wrong_wrap_is_told_as_such(tmp_path: Path) -> None:
    finding = only(judged(spec(tmp_path), ((10 * i, i % 15) for i in range(200))))
    assert finding.text.endswith("its counter went on each time from its last value to 0: check its `wrap`.")


def test_a_value_that_is_strange_now_and_then_is_no_other_round(tmp_path: Path) -> None:
    sent = [(10 * i, 15 if i in {30, 110, 190} else i % 15) for i in range(250)]
    finding = only(judged(spec(tmp_path, ", wrap: 14"), sent))
    assert finding.text == "The counter of Tick was up to 15 in 3 frames; it goes from 0 to 14."


@pytest.mark.parametrize(
    ("counter", "said"),
    [
        (", wrap: 11", "was up to 14 in 39 frames; it goes from 0 to 11: check its `wrap`."),
        (", start: 1, wrap: 14", "was 0 in 14 frames; it goes from 1 to 14: check its `start`."),
        (
            ", step: 2, wrap: 14",
            "was 13 in 93 frames; it goes from 0 to 14 without it: check its `step` and `reserved`.",
        ),
    ],
)
def test_a_round_that_is_not_as_the_spec_says_is_one_finding(tmp_path: Path, counter: str, said: str) -> None:
    finding = only(judged(spec(tmp_path, counter), ((10 * i, i % 15) for i in range(200))))
    assert finding.text == f"The counter of Tick {said}"


def test_after_a_silence_the_counter_tells_who_stood_still(tmp_path: Path) -> None:
    """The sender stood still, its frames were lost, or it began anew."""
    before = [(10 * i, i % 16) for i in range(53)]
    stood = judged(spec(tmp_path), before + [(1000 + 10 * i, (53 + i) % 16) for i in range(20)])
    assert [finding.kind for finding in stood.findings] == ["stale"]
    lost = judged(spec(tmp_path), before + [(1000 + 10 * i, (100 + i) % 16) for i in range(20)])
    (note,) = kits.of_kind(lost, "loss")
    assert (note.severity, note.count) == (Severity.NOTE, 47)
    assert note.text == "47 frames of Tick were lost; its counter went on while it was silent."
    anew = judged(spec(tmp_path), before + [(1000 + 10 * i, i % 16) for i in range(20)])
    (restart,) = kits.of_kind(anew, "restart")
    assert restart.text == (
        "Tick began its counter anew at 0, after 480 ms of silence: its sender was restarted."
    )
    assert kits.of_kind(anew, "loss") == kits.of_kind(anew, "counter") == []


def test_a_counter_of_changes_only(tmp_path: Path) -> None:
    found = spec(tmp_path, ", on_change: yes")
    rows = [row(10 * i, data=tick(i // 5 % 16, value=i // 5 % 90)) for i in range(100)]
    assert serious(whole_and_cut(found, rows)) == []
    rows[52] = row(520, data=tick(10, value=77))  # it changed and did not count
    assert {finding.kind for finding in serious(whole_and_cut(found, rows))} == {"counter"}


def test_messages_of_a_sender_share_a_counter_and_may_overtake_each_other(tmp_path: Path) -> None:
    said = "messages:\n" + "".join(
        f"  {name}: {{counter: {{signal: Counter, per: sender}}}}\n" for name in ("Tick", "Tock")
    )
    found = spec_of(tmp_path, TICK + TOCK, said, periods_ms={0x100: 10, 0x200: 10})
    rows = [row(5 * i, (0x100, 0x200)[i % 2], tick(i % 16)) for i in range(200)]
    assert serious(whole_and_cut(found, rows)) == []
    for i in range(0, 200, 2):  # the second of two that are handed over together goes first
        rows[i], rows[i + 1] = (rows[i][0], *rows[i + 1][1:]), (rows[i + 1][0], *rows[i][1:])
    assert serious(whole_and_cut(found, rows)) == []
    del rows[60]
    finding = only(whole_and_cut(found, rows))
    assert (finding.kind, finding.count, finding.text) == (
        "loss", 1, "1 frame of Node was lost; its counter went on."
    )  # fmt: skip
    assert finding.place.message is None


def test_a_counter_for_each_value_of_a_multiplexer(tmp_path: Path) -> None:
    found = spec(tmp_path, ", per: multiplexer", PAGES, "")
    rows = [row(10 * i, data=bytes([i % 2, 0, 0, 0, 0, 0, i // 2 % 16, 0])) for i in range(200)]
    assert serious(whole_and_cut(found, rows)) == []
    del rows[101]
    finding = only(whole_and_cut(found, rows))
    assert (finding.kind, finding.count) == ("loss", 1)


@pytest.mark.parametrize("decimation", [4, 20])
def test_one_in_so_many_through_a_relay(tmp_path: Path, decimation: int) -> None:
    said = f"""\
messages:
  Tock: {{relay_of: {{message: Tick, decimation: {decimation}}}, counter: {{signal: Counter, wrap: 14}}}}
"""
    found = spec_of(tmp_path, TICK + TOCK, said, periods_ms={0x200: 40})
    sent = [(40 * i, decimation * i % 15) for i in range(100)]
    assert kits.of_kind(judged(found, sent, 0x200), "loss") == []
    (finding,) = kits.of_kind(judged(found, [*sent[:50], *sent[51:]], 0x200), "loss")
    assert finding.count == 1


def test_a_profile_that_fixes_its_counter(tmp_path: Path) -> None:
    checksum = "{signal: Check, profile: E2E P01, data_id: 1}"
    said = f"messages:\n  Tick: {{counter: {{signal: Counter}}, checksum: {checksum}}}\n"
    (rule,) = spec_of(tmp_path, TICK, said).messages
    assert rule.counter is not None
    assert rule.counter.wrap == 14


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("{signal: Value, wrap: 70000}", "A counter of 16 bits goes up to 65535, not to 70000."),
        ("{signal: Counter, start: 15}", "A counter that goes from 15 to 15 by 1 does not go round."),
        ("{signal: Counter, per: multiplexer}", "Tick has no multiplexer."),
        ("{signal: Tock.Counter}", "The counter of Tick must be one of its own signals."),
        ("{signal: Offset}", "Offset is no counter: that is a whole number of up to 32 bits without sign."),
    ],
)
def test_a_counter_that_cannot_be(tmp_path: Path, said: str, text: str) -> None:
    signed = ' SG_ Offset : 16|8@1- (1,0) [0|0] "" Other\n'
    with pytest.raises(SpecError, match=text.replace(".", r"\.")) as raised:
        spec_of(tmp_path, TICK + signed + TOCK, f"messages:\n  Tick: {{counter: {said}}}\n")
    assert "spec.yaml:5:" in str(raised.value)


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("kind: sender_loss, message: SteerFeedback, share: 10 %", {("loss", "SteerFeedback")}),
        (
            "kind: demand_refused, message: SteerCommand, because: counter",
            {("counter", "SteerCommand")},
        ),
        ("kind: node_restart, node: SteerNode", {("restart", None), ("stale", None)}),
        (
            "kind: frozen_value, message: SteerFeedback",
            {("frozen", "SteerFeedback"), ("slew", "SteerFeedback")},
        ),
    ],
)
def test_faults_of_the_simulated_cart(fault: str, told: set[tuple[str, str | None]], tmp_path: Path) -> None:
    made = run_of(tmp_path, short_drive(8), f"{{{fault}, at: 6 s, for: 1 s}}")
    result, _ = inspected([made.chunk])
    assert {(finding.kind.value, finding.place.message) for finding in serious(result)} == told
