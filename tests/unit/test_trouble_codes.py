"""Trouble codes of J1939: the first of a DM1 message, as SAE J1939-73 lays it out (from memory)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import SpecError
from canmap.checks.faults.trouble_codes import TroubleCodes
from tests.finding_numbers import lacking
from tests.kits import of_kind, row, span_ms, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

DM1 = 0x18FECA00  # priority 6, parameter group 65226, from address 0
HEAD = "vehicle: Tractor\nbuses: {drive: {description: kit.dbc, channel: can0, match: parameter_group}}\n"
KIT = f"""\
BO_ {DM1 | 1 << 31} Codes: 8 Node
 SG_ Lamps : 0|16@1+ (1,0) [0|0] "" Other
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
"""
TEXT = 'trouble_codes: {Codes: {parameters: {1208: Oil before the filter}, page: "8.2"}}\n'
NOTHING = bytes([0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF])
# SPN 1208 is 0x4B8, FMI 3, it occurred 10 times: B8 04 03 0A, the example that the trade passes on
# (common practice).
OIL = bytes([0, 0xFF, 0xB8, 0x04, 0x03, 0x0A, 0xFF, 0xFF])
OTHER = OIL[:5] + b"\x8a" + OIL[6:]  # of another conversion method


def spec(folder: Path, text: str = TEXT) -> Spec:
    return spec_of(folder, KIT, text, head=HEAD, periods_ms={DM1 | 1 << 31: 1000})


def told(
    kit: Spec, payloads: list[bytes], sources: tuple[int, ...] = (0,)
) -> tuple[Inspection, list[Finding]]:
    """The faults that frames of each source tell, one a second; the same in chunks of any size."""
    rows = [
        row(1000 * i + n, DM1 | source, data)
        for i, data in enumerate(payloads)
        for n, source in enumerate(sources)
    ]
    whole = frames(rows)
    whole = replace(whole, extended=np.ones(len(whole), np.bool_))
    result, _ = inspected([whole], kit)
    for step in (1, 2, 3):
        assert inspected(whole.split(range(0, len(whole), step)), kit)[0].to_json() == result.to_json()
    return result, of_kind(result, "fault_reported")


def test_a_code_with_a_name(tmp_path: Path) -> None:
    result, (one,) = told(spec(tmp_path), [NOTHING, OIL, OIL, *[NOTHING] * 4])
    assert one.text == (
        "Codes from address 0 reports SPN 1208 (Oil before the filter), FMI 3: voltage above normal, "
        "or shorted to the high side; by its own count 10 times (page 8.2 of the manual)."
    )
    assert (one.severity, one.count, one.value) == ("error", 2, 10)
    assert span_ms(result, one) == (1000, 3000)
    assert (one.facts["spn"], one.facts["fmi"], one.facts["address"]) == (1208, 3, 0)
    assert lacking(one) == []


def test_the_upper_bits_of_the_number(tmp_path: Path) -> None:
    """All 19 bits but the lowest, and an FMI that is reserved: 0x7FFFE, 22."""
    _, (one,) = told(spec(tmp_path), [bytes([0, 0, 0xFE, 0xFF, 7 << 5 | 22, 0, 0, 0])])
    assert one.text.startswith("Codes from address 0 reports SPN 524286, FMI 22: a reserved failure mode, ")


@pytest.mark.parametrize(
    "payload",
    [NOTHING, bytes([0xFF] * 5 + [0x7F, 0xFF, 0xFF]), OTHER, OIL[:5]],
    ids=["no code", "not available", "another conversion", "too short"],
)
def test_what_is_no_code(tmp_path: Path, payload: bytes) -> None:
    assert told(spec(tmp_path), [payload] * 3)[1] == []


def test_each_address_and_each_code_by_itself(tmp_path: Path) -> None:
    _, found = told(spec(tmp_path), [OIL, OIL[:4] + b"\x04" + OIL[5:]] * 3, (0, 3))
    assert sorted((one.facts["address"], one.facts["fmi"], one.count) for one in found) == [
        *((0, 3, 3), (0, 4, 3)),
        *((3, 3, 3), (3, 4, 3)),
    ]


def test_a_code_from_the_first_frame_to_the_last(tmp_path: Path) -> None:
    _, (one,) = told(spec(tmp_path), [OIL] * 3)
    assert one.open
    assert "by its own count 10 times, from the start (page" in one.text


def test_the_count_of_frames_is_carried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kit, payloads = spec(tmp_path), [NOTHING, OIL, OIL]
    told(kit, payloads)
    fold = TroubleCodes.fold

    def forgetting(self: TroubleCodes, *arguments: object) -> object:
        self._seen.clear()
        return fold(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(TroubleCodes, "fold", forgetting)
    with pytest.raises(AssertionError):
        told(kit, payloads)


def test_another_message_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match=r"Kit is not of the parameter group 65226 \(DM1\)"):
        spec(tmp_path, "trouble_codes: {Kit: {}}\n")
