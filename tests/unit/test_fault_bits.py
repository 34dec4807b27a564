"""Faults that the kit reports by a bit or a whole signal, with the words of the manual."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.findings.episodes import Closed, Opened
from tests.kits import of_kind, row, span_ms, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ Faults : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Guard : 8|1@1+ (1,0) [0|0] "" Other
 SG_ Trouble : 16|4@1+ (1,0) [0|0] "" Other
BO_ 512 Wide: 8 Node
 SG_ Bits : 0|64@1+ (1,0) [0|0] "" Other
"""
FAULTS = """\
faults:
  Kit.Faults:
    0: {text: Motor of the column too hot, reset: let it cool and switch the kit off and on}
    3: {text: Supply below 10 V., severity: warning}
  Kit.Guard: {text: Guard open, severity: note, normally_closed: yes}
  Kit.Trouble: {text: Something else}
"""


def run(folder: Path, payload, end_ms: int = 1000) -> Inspection:
    """What comes of Kit frames every 10 ms."""
    spec = spec_of(folder, KIT, FAULTS, periods_ms={0x100: 10})
    return inspected([frames([row(t, data=payload(t)) for t in range(0, end_ms, 10)])], spec)[0]


def test_a_fault_bit_is_one_finding_with_the_manuals_words(tmp_path: Path) -> None:
    """Bit 0 from 200 to 490 ms is 30 samples; 0x04 is another bit, of which the manual says nothing."""
    result = run(tmp_path, lambda t: bytes([4 | (200 <= t < 500), 1, 0, 0, 0, 0, 0, 0]))
    (found,) = of_kind(result, "fault_reported")
    assert found.text == (
        "Kit.Faults bit 0: Motor of the column too hot; what clears it: let it cool and switch the kit off "
        "and on."
    )
    assert (found.severity, found.count, found.open, found.line) == ("error", 30, False, 21)
    assert span_ms(result, found) == (200, 500)
    assert (found.place.bus, found.place.message, found.place.signal) == ("drive", "Kit", "Faults")
    assert result.verdict == "fail"


@pytest.mark.parametrize(
    ("payload", "text", "severity"),
    [
        ([8, 1, 0], "Kit.Faults bit 3: Supply below 10 V (from the start).", "warning"),
        ([0, 0, 0], "Kit.Guard: Guard open (from the start).", "note"),
        ([0, 1, 6], "Kit.Trouble: Something else (from the start).", "error"),
    ],
)
def test_severity_polarity_and_a_whole_signal(
    tmp_path: Path, payload: list[int], text: str, severity: str
) -> None:
    result = run(tmp_path, lambda _: bytes([*payload, 0, 0, 0, 0, 0]))
    (found,) = of_kind(result, "fault_reported")
    assert (found.text, found.severity, found.open) == (text, severity, True)


def test_without_a_fault_and_with_payloads_too_short_nothing_is_reported(tmp_path: Path) -> None:
    """A frame of one byte holds no Guard, so that it is not 0 either."""
    result = run(tmp_path, lambda t: bytes([0, 1, 0, 0, 0, 0, 0, 0][: 1 if t % 100 == 50 else 8]))
    assert of_kind(result, "fault_reported") == []


def test_two_good_samples_do_not_end_a_fault_and_three_do(tmp_path: Path) -> None:
    good = {100, 110, 200, 210, 220}  # the first two part nothing
    result = run(tmp_path, lambda t: bytes([t >= 50 and t not in good, 1, 0, 0, 0, 0, 0, 0]), 300)
    spans = [span_ms(result, one) for one in of_kind(result, "fault_reported")]
    assert spans == [(50, 200), (230, 290)]


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("bit", [0, 31, 62, 63])
def test_every_bit_of_64_in_both_polarities(tmp_path: Path, bit: int, closed: bool) -> None:
    """All other bits say the opposite, so that no bit is taken for another one."""
    fault = (
        f"faults: {{Wide.Bits: {{{bit}: {{text: Broken, normally_closed: {'yes' if closed else 'no'}}}}}}}\n"
    )
    spec = spec_of(tmp_path, KIT, fault, periods_ms={0x200: 10})
    alone = 1 << bit
    broken, right = ((1 << 64) - 1 - alone, alone) if closed else (alone, (1 << 64) - 1 - alone)
    rows = [
        row(t, 0x200, (broken if 100 <= t < 200 else right).to_bytes(8, "little")) for t in range(0, 400, 10)
    ]
    result, events = inspected([frames(rows)], spec)
    (found,) = of_kind(result, "fault_reported")
    assert span_ms(result, found) == (100, 200)
    assert [type(one) for one in events if one.finding.kind == "fault_reported"] == [Opened, Closed]


def test_a_code_for_no_data_is_no_fault(tmp_path: Path) -> None:
    """On a bus that matches by parameter group, 3 of 2 bits is "not available", and 1 is on (J1939-71)."""
    message = (
        "BO_ 2566834702 Lamps: 8 Node\n"  # parameter group 0xFECA, with the mark of 29 bits
        ' SG_ Stop : 0|2@1+ (1,0) [0|0] "" Other\n'
    )
    head = "vehicle: Test\nbuses: {drive: {description: kit.dbc, channel: can0, match: parameter_group}}\n"
    spec = spec_of(tmp_path, message, "faults: {Lamps.Stop: {text: Stop now}}\n", head=head)
    can_id = 2566834702 & 0x1FFFFFFF

    def of(code: int) -> list:
        chunk = frames([row(t, can_id, bytes([code, *bytes(7)])) for t in range(0, 500, 100)])
        chunk.extended[:] = True
        return of_kind(inspected([chunk], spec)[0], "fault_reported")

    assert of(3) == of(0) == []
    assert len(of(1)) == 1


AXIS = """\
BO_ 256 Kit: 8 Node
 SG_ Reason : 0|4@1+ (1,0) [0|0] "" Other
 SG_ State : 8|4@1+ (1,0) [0|0] "" Other
"""
LABELS = 'VAL_ 256 Reason 0 "None" 3 "SupplyLow" 5 "Internal" ;\nVAL_ 256 State 3 "Active" 5 "Faulted" ;\n'


def kit_of(folder: Path, fault: str) -> Spec:
    text = f"faults: {{Kit.Reason: {{codes: {{{fault}}}}}}}\nstate_machines: {{arm: {{signal: Kit.State}}}}\n"
    return spec_of(folder, AXIS, text, periods_ms={0x100: 10}, end=LABELS)


def told_by(spec: Spec, payload) -> Inspection:
    """What comes of Kit frames every 10 ms, the same frame by frame."""
    whole = frames([row(t, data=bytes([*payload(t), *bytes(6)])) for t in range(0, 1000, 10)])
    result = inspected([whole], spec)[0]
    assert inspected(whole.split(range(len(whole))), spec)[0].to_json() == result.to_json()
    return result


def test_a_code_reports_its_fault_and_no_other(tmp_path: Path) -> None:
    spec = kit_of(
        tmp_path, "Internal: {text: It is broken, page: 6.1}, 3: {text: Supply low, severity: note}"
    )
    result = told_by(spec, lambda t: (5 if 200 <= t < 400 else 3 if t >= 800 else 0, 3))
    one, other = of_kind(result, "fault_reported")
    assert one.text == "Kit.Reason 5: It is broken (page 6.1 of the manual)."
    assert (one.severity, one.count, one.facts["code"], one.facts["page"]) == ("error", 20, 5, "6.1")
    assert span_ms(result, one) == pytest.approx((200, 400))
    assert (other.severity, other.open) == ("note", True)


def test_a_fault_with_a_debounce_has_to_last(tmp_path: Path) -> None:
    """50 ms from 200 ms on is not long enough, 60 from 600 on is: it began there."""
    spec = kit_of(tmp_path, "5: {text: It is broken, debounce: 50 ms}")
    result = told_by(spec, lambda t: (5 if 200 <= t <= 250 or 600 <= t <= 660 else 0, 3))
    (one,) = of_kind(result, "fault_reported")
    assert span_ms(result, one) == pytest.approx((600, 670))


def test_an_axis_has_to_let_go_at_its_fault(tmp_path: Path) -> None:
    """20 ms within, a period of 10 and jitters of 2 and 2 are over 34 ms after the fault."""
    spec = kit_of(tmp_path, "5: {text: It is broken, leads_to: {arm: Faulted}, within: 20 ms}")
    assert of_kind(told_by(spec, lambda t: (5 * (t >= 500), 5 if t >= 540 else 3)), "fault_ignored") == []
    result = told_by(spec, lambda t: (5 * (t >= 500), 5 if t >= 700 else 3))
    (one,) = of_kind(result, "fault_ignored")
    assert one.text == (
        "arm was still active 190 ms after Kit.Reason 5 had reported: It is broken; "
        "it has to go to Faulted within 20 ms."
    )
    assert (one.severity, one.value, one.limit) == ("error", 0.19, 0.02)
    assert span_ms(result, one) == pytest.approx((500, 700))


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("Internl: {text: x}", "no label `Internl`; did you mean `Internal`?"),
        ("5: {text: x, leads_to: {arms: Faulted}}", "There is no state machine `arms`; did you mean `arm`?"),
        ("5: {text: x, leads_to: {arm: Active}}", "leads to a state in which `arm` acts"),
        ("5: {text: x, normally_closed: yes}", "is not `normally_closed`"),
        ("5: {text: x, debounced: 5 ms}", "A fault has no key `debounced`; did you mean `debounce`?"),
    ],
)
def test_mistakes_in_a_coded_fault(tmp_path: Path, fault: str, said: str) -> None:
    with pytest.raises(SpecError) as raised:
        kit_of(tmp_path, fault)
    assert said in str(raised.value)
