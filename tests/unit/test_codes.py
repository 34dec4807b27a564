"""Raw codes that are no value, and codes of a choice that mean nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import SpecError
from canmap.findings.finding import Severity
from canmap.mapping.description.description import NoData
from tests.kits import of_kind, row, serious, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

MESSAGE = (
    'BO_ 256 Tick: 8 Node\n SG_ Pedal : 0|8@1+ (0.4,0) [0|100] "%" Other\n'
    ' SG_ Gear : 8|3@1+ (1,0) [0|3] "" Other\n SG_ Wide : 16|32@1+ (0.001,0) [0|0] "V" Other\n'
)
LABELS = 'VAL_ 256 Gear 0 "Park" 1 "Reverse" 2 "Neutral" 3 "Forward" 7 "NotAvailable" ;\n'
RECORD = "records:\n  drive:\n    type: Drive\n    stamp: Tick\n"
GEAR = RECORD + "    gear: {signal: Tick.Gear, no_data: NotAvailable}\n"
PEDAL = RECORD + "    throttle: {{signal: Tick.Pedal, no_data: {}}}\n"


def kit(folder: Path, text: str) -> Spec:
    return spec_of(folder, MESSAGE, text, periods_ms={256: 10}, end=LABELS)


def gears(spec: Spec, raw: list[int], pedal: int = 0) -> Inspection:
    chunk = frames(row(10 * i, data=bytes([pedal, code, 0, 0, 0, 0, 0, 0])) for i, code in enumerate(raw))
    whole, _ = inspected([chunk], spec, ["drive"])
    pieces, _ = inspected(chunk.split(range(1, len(chunk))), spec)
    assert pieces.to_json() == whole.to_json()
    return whole


def test_a_code_for_no_data_is_one_finding_while_it_lasts(tmp_path: Path) -> None:
    result = gears(kit(tmp_path, GEAR), [0] * 10 + [7] * 5 + [1] * 10)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.count) == ("not_available", Severity.WARNING, 5)
    assert (finding.place.record, finding.place.field, finding.place.signal) == ("drive", "gear", "Gear")
    assert span_ms(result, finding) == (100, 150)
    assert finding.line == 11
    assert finding.text == 'Tick.Gear (drive.gear) reported "NotAvailable" (raw code 7).'
    assert result.verdict == "pass"


def test_from_the_start_to_the_end(tmp_path: Path) -> None:
    (finding,) = serious(gears(kit(tmp_path, GEAR), [7] * 10))
    assert finding.open
    assert finding.text.endswith("(raw code 7) from the start.")


def test_a_code_without_a_label_fails(tmp_path: Path) -> None:
    result = gears(kit(tmp_path, GEAR), [0] * 10 + [5, 5, 0, 6] + [7] + [3] * 5)
    absent, undefined = sorted(serious(result), key=lambda finding: finding.kind)
    assert (undefined.kind, undefined.severity, undefined.count) == ("undefined_value", Severity.ERROR, 3)
    assert absent.count == 1
    assert undefined.text == "Tick.Gear (drive.gear) had the raw code 6, which has no label."
    gear = result.records["drive"].columns["gear"]
    assert np.flatnonzero(~gear.valid).tolist() == [10, 11, 13, 14]  # and none of them is published


def test_labels_are_the_range_of_a_choice(tmp_path: Path) -> None:
    # The description allows 0 to 3; 7 is labelled, and no value, not a value out of range.
    result = gears(kit(tmp_path, GEAR), [7, 5])
    assert of_kind(result, "out_of_range") == []


def test_a_label_that_is_no_state_of_the_field(tmp_path: Path) -> None:
    spec = kit(tmp_path, RECORD + "    gear: {signal: Tick.Gear, labels: {Park: park, Forward: forward}}\n")
    result = gears(spec, [0, 3, 2])
    (finding,) = serious(result)
    assert (
        finding.text
        == 'Tick.Gear (drive.gear) had the raw code 2 ("Neutral"), which is not one of its states.'
    )


STATES = ('0 "Park"', '1 "Reverse"', '2 "Neutral"', '3 "Forward"')


@pytest.mark.parametrize("labelled", [(0,), (3,), (0, 1), (0, 2, 3), (0, 1, 3), (0, 1, 2), (0, 1, 2, 3)])
def test_codes_without_a_label_among_few(tmp_path: Path, labelled: tuple[int, ...]) -> None:
    """Two bits hold four codes; whichever of them have no label are found, wherever they stand."""
    message = 'BO_ 256 Tick: 8 Node\n SG_ Gear : 8|2@1+ (1,0) [0|0] "" Other\n'
    end = f"VAL_ 256 Gear {' '.join(STATES[code] for code in labelled)} ;\n"
    result = gears(spec_of(tmp_path, message, RECORD + "    gear: Tick.Gear\n", end=end), [0, 1, 2, 3])
    found = of_kind(result, "undefined_value")
    assert sum(finding.count for finding in found) == 4 - len(labelled)


def test_what_no_record_needs_may_be_empty(tmp_path: Path) -> None:
    spec = kit(tmp_path, RECORD + "    throttle: Tick.Pedal\n")
    assert told(serious(gears(spec, [0, 1, 2]))) == []


@pytest.mark.parametrize(("written", "codes"), [("0xFF", [255]), ("[0xFE, 0xFF]", [254, 255])])
def test_no_data_goes_before_the_range(tmp_path: Path, written: str, codes: list[int]) -> None:
    for code in codes:
        (finding,) = serious(gears(kit(tmp_path, PEDAL.format(written)), [0] * 5, pedal=code))
        assert (finding.kind, finding.count) == ("not_available", 5)
        assert f"reported no value (raw code {code})" in finding.text
    assert of_kind(gears(kit(tmp_path, PEDAL.format(written)), [0], pedal=252), "out_of_range")


def test_a_span_of_codes(tmp_path: Path) -> None:
    spec = kit(tmp_path, PEDAL.format("[0xFB, 0xFD to 0xFF]"))
    assert spec.records[0].fields[0].no_data == ((NoData(0xFB, 0xFB), NoData(0xFD, 0xFF)),)
    for code, kind in (
        (0xFA, None),
        (0xFB, "not_available"),
        (0xFC, "out_of_range"),
        (0xFE, "not_available"),
    ):
        found = serious(gears(spec, [0], pedal=code))
        assert [finding.kind for finding in found] == ([kind] if kind else []), code


@pytest.mark.parametrize("code", [0, 1, 100, 101])
def test_a_code_among_the_values(tmp_path: Path, code: int) -> None:
    spec = kit(tmp_path, RECORD + f"    throttle: {{signal: Tick.Pedal, no_data: {code}}}\n")
    for pedal in (0, 1, 99, 100, 101, 102):
        assert len(serious(gears(spec, [0], pedal=pedal))) == (pedal == code), pedal


@pytest.mark.parametrize(
    ("written", "text"),
    [("0xFF to 0xFD", "write the lower code first"), ("0xFF to 0x100", "raw codes are 0 to 255")],
)
def test_mistakes(tmp_path: Path, written: str, text: str) -> None:
    with pytest.raises(SpecError, match=text):
        kit(tmp_path, PEDAL.format(written))


def test_one_code_of_two_records_is_one_finding_that_names_both(tmp_path: Path) -> None:
    second = GEAR.removeprefix("records:\n").replace("drive:", "demand:")
    result = gears(kit(tmp_path, GEAR + second), [0, 7, 5, 0, 0])
    assert told(serious(result)) == [
        'Tick.Gear (drive.gear, demand.gear) reported "NotAvailable" (raw code 7).',
        "Tick.Gear (drive.gear, demand.gear) had the raw code 5, which has no label.",
    ]
    # Fields that know other codes are each on their own; what is no value for both is still told once.
    states = "{signal: Tick.Gear, no_data: NotAvailable, labels: {Park: park, Reverse: reverse}}"
    other = f"  demand: {{type: Drive, stamp: Tick, gear: {states}}}\n"
    result = gears(kit(tmp_path, GEAR + other), [0, 7, 5, 0, 0])
    assert [finding.text.split(") ")[0] for finding in serious(result)] == [
        "Tick.Gear (drive.gear, demand.gear",
        "Tick.Gear (demand.gear",
        "Tick.Gear (drive.gear",
    ]


def test_a_code_with_the_top_bit_of_64_is_told_as_it_stands(tmp_path: Path) -> None:
    message = 'BO_ 256 Tick: 8 Node\n SG_ Pedal : 0|64@1+ (1,0) [0|100] "%" Other\n'
    highest = 2**64 - 1
    spec = spec_of(tmp_path, message, PEDAL.format(hex(highest)), periods_ms={256: 10})
    result, _ = inspected([frames([row(0, data=b"\xff" * 8)])], spec)
    (finding,) = of_kind(result, "not_available")
    assert f"(raw code {highest})" in finding.text
