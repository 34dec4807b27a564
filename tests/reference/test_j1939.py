"""Messages known by their parameter group, against published identifiers, scalings and frames.

The figures are those of the tables `j1939_*` in tests/data/published: open libraries' own tests, the Linux
kernel's documentation, and the range table of SAE J1939-71 as an open library prints it; the rows name
their sources.
"""

from __future__ import annotations

import math
import struct
from io import StringIO
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from canmap.base.errors import SpecError
from canmap.cli.finding_lines import show_findings
from canmap.findings.finding import Severity
from canmap.mapping.description.description import NoData
from canmap.mapping.groups import RESERVED, addresses, group_number
from tests.kits import of_kind, serious, spec_of
from tests.published import table, trouble_codes
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

HEAD = "vehicle: Truck\nbuses:\n  truck: {description: kit.dbc, channel: can0, match: parameter_group}\n"
# Groups of the table and the identifiers that a description gives them: priority 6, from the null address.
MESSAGES = {61444: "EEC1", 65265: "CCVS", 61449: "VDC2", 65262: "ET1"}
EXTENDED = 0x8000_0000
UNITS = {"degC": "°C", "m/s^2": "m/s²"}


def identifier(number: int, source: int = 0xFE, priority: int = 6) -> int:
    return EXTENDED | priority << 26 | number << 8 | source


def signals(lines: list[dict[str, str]]) -> str:
    """Messages of a DBC, from the rows of the scaling table."""
    text = ""
    for number, name in MESSAGES.items():
        text += f"BO_ {identifier(number)} {name}: 8 Node\n"
        for line in lines:
            if int(line["group"]) == number:
                start = (int(line["start_byte_from_1"]) - 1) * 8 + int(line["start_bit_from_1"]) - 1
                place = f"{start}|{line['length_bits']}@1+"
                scale = f"({line['factor']},{line['offset']}) [{line['min']}|{line['max']}]"
                unit = UNITS.get(line["unit"], line["unit"])
                text += f' SG_ SPN{line["spn"]} : {place} {scale} "{unit}" Other\n'
        text += "\n"
    return text


def of_frames(can_ids: list[tuple[int, str]]) -> FrameChunk:
    rows = [
        (START_NS + i * 10 * MS, "can0", can_id & 0x1FFF_FFFF, bytes.fromhex(data))
        for i, (can_id, data) in enumerate(can_ids)
    ]
    chunk = frames(rows)
    chunk.extended[:] = [can_id > 0x7FF for can_id, _ in can_ids]
    return chunk


def test_published_identifiers() -> None:
    lines = table("j1939_identifiers")
    for line in lines:
        can_id = int(line["can_id_hex"], 16)
        assert group_number(can_id) == int(line["group"]), line
        destination = int(line["destination"]) if line["destination"] else None
        assert addresses(can_id) == (int(line["source_address"]), destination)
        assert (destination is None) == (line["format"] == "PDU2")
    assert len(lines) >= 18


def test_published_identifiers_through_the_engine(tmp_path: Path) -> None:
    """Each identifier finds the message of its group alone, and its addresses are kept."""
    lines = table("j1939_identifiers")
    numbers = sorted({int(line["group"]) for line in lines})
    text = "".join(
        f'BO_ {identifier(number, priority=7)} G{number}: 8 Node\n SG_ S : 0|8@1+ (1,0) [0|0] "" Other\n\n'
        for number in numbers
    )
    spec = spec_of(tmp_path, text, head=HEAD)
    for line in lines:
        result, _ = inspected([of_frames([(int(line["can_id_hex"], 16), "0102030405060708")])], spec)
        found = {message.name: message.addresses for message in result.messages if message.count}
        destination = int(line["destination"]) if line["destination"] else None
        assert found == {f"G{line['group']}": ((int(line["source_address"]), destination, 1),)}, line
        assert result.unknown_ids == ()


def test_published_ranges() -> None:
    lines = table("j1939_codes")
    assert [int(line["bits"]) for line in lines] == [2, 8, 16, 32]
    for line in lines:
        bits = int(line["bits"])
        error, absent = RESERVED[bits]
        assert (int(line["error_first_hex"], 16), int(line["error_last_hex"], 16)) == (error, absent - 1)
        assert int(line["not_available_first_hex"], 16) == absent
        assert int(line["not_available_last_hex"], 16) == 2**bits - 1


def record(spn: str, message: str, unit: str) -> str:
    return (
        f'record_types: {{Own: {{fields: {{value: {{unit: "{unit}"}}}}}}}}\n'
        f"records: {{own: {{type: Own, stamp: {message}, value: {message}.SPN{spn}}}}}\n"
    )


SI = {"rpm": ("rad/s", 0.10471975511965977), "km/h": ("m/s", 1 / 3.6), "%": ("1", 0.01)}


def si(unit: str, value: float) -> tuple[str, float]:
    if unit == "degC":
        return "K", value + 273.15
    name, factor = SI.get(unit, (unit, 1.0))
    return name, value * factor


def test_published_frames_through_the_engine(tmp_path: Path) -> None:
    """Each value, error and "not available" of the examples, from frames of other priority and source."""
    text = signals(table("j1939_scalings"))
    lines = table("j1939_frames")
    for line in lines:
        can_id = int(line["can_id_hex"], 16)
        message = MESSAGES[group_number(can_id)]
        unit, wanted = si(line["unit"], float(line["physical"] or 0))
        spec = spec_of(tmp_path, text, record(line["spn"], message, unit), head=HEAD)
        result, _ = inspected([of_frames([(can_id, line["data_hex"])])], spec, ["own"])
        column = result.records["own"].columns["value"]
        absent = [f for f in of_kind(result, "not_available") if f.place.signal == f"SPN{line['spn']}"]
        assert column.valid.tolist() == [line["class"] == "valid"], line
        if line["class"] == "valid":
            assert column.values[0] == pytest.approx(wanted, abs=1e-9), line
            assert absent == []
        else:
            assert [f'reported "{line["class"]}" (raw code {line["raw"]})' in f.text for f in absent] == [
                True
            ], line
        outside = [f for f in of_kind(result, "out_of_range") if f.place.signal == f"SPN{line['spn']}"]
        assert outside == [], line
    assert len(lines) >= 14


def test_published_scalings_through_the_engine(tmp_path: Path) -> None:
    """The largest valid raw value of each parameter gives the published one, and the next is out of range."""
    lines = table("j1939_scalings")
    for line in lines:
        start = (int(line["start_byte_from_1"]) - 1) * 8 + int(line["start_bit_from_1"]) - 1
        text = signals([{**line, "unit": "", "group": "61444"}])  # the scaling alone, whatever the unit
        field = record(line["spn"], "EEC1", "1").replace(
            f"EEC1.SPN{line['spn']}", f'{{signal: EEC1.SPN{line["spn"]}, unit: "1"}}'
        )
        spec = spec_of(tmp_path, text, field, head=HEAD)
        raw = int(line["largest_valid_raw_hex"], 16)
        data = (raw << start).to_bytes(8, "little")
        spec_result, _ = inspected([of_frames([(0x0CF00400, data.hex())])], spec, ["own"])
        value = spec_result.records["own"].columns["value"]
        assert value.values[0] == pytest.approx(float(line["largest_valid"]), rel=1e-11), line
    assert len(lines) >= 14


EEC = (
    'BO_ {} Eec: 8 Node\n SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Other\n\n'
    'BO_ {} EecOther: 8 Node\n SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Other\n\n'
)


def two(folder: Path, first: int, second: int, text: str = "") -> Spec:
    return spec_of(folder, EEC.format(identifier(61444, first), identifier(61444, second)), text, head=HEAD)


def counts(result: Inspection) -> dict[str, int]:
    return {message.name: message.count for message in result.messages}


FROM = [(0x0CF00400, "00" * 8), (0x0CF00401, "00" * 8), (0x10F00405, "00" * 8)]


def test_messages_of_one_group_go_by_their_source(tmp_path: Path) -> None:
    result, _ = inspected([of_frames(FROM)], two(tmp_path, 0, 1))
    assert counts(result) == {"Eec": 1, "EecOther": 1}
    assert [(row[1], row[3]) for row in result.unknown_ids] == [(0x10F00405, 1)]
    (note,) = of_kind(result, "unknown_id")
    assert note.text.endswith(
        "it has the parameter group of Eec and EecOther, which are expected from source addresses 00 and 01: "
        "check the `source` in the spec."
    )
    assert note.facts["same_group"] == ("Eec", "EecOther")


def test_several_identifiers_of_known_groups_are_one_line(tmp_path: Path) -> None:
    text = "messages: {Eec: {source: 0x05}, EecOther: {source: 0x07}}\n"
    result, _ = inspected([of_frames([*FROM[:2], (0x18FEEE00, "00" * 8)])], two(tmp_path, 0, 9, text))
    page = StringIO()
    show_findings(result, Console(file=page, width=400))
    said = page.getvalue()
    assert "does not know 3 identifiers, in 3 frames: 0CF00400, 0CF00401 and 18FEEE00. " in said
    assert "not from its `source`: 0CF00400 (Eec or EecOther) and 0CF00401 (Eec or EecOther)." in said


def test_the_null_address_is_any_other_source(tmp_path: Path) -> None:
    result, _ = inspected([of_frames(FROM)], two(tmp_path, 0, 0xFE))
    assert counts(result) == {"Eec": 1, "EecOther": 2}
    (finding,) = of_kind(result, "two_senders")
    assert finding.severity is Severity.WARNING
    assert finding.text.startswith("EecOther came from 2 source addresses, 01, 05, whose values are mixed")


def test_a_group_of_one_source_is_never_taken_for_a_group_of_any(tmp_path: Path) -> None:
    """Group 0 from source 0, and group 256 from source 0 beside group 65536: numbers that look alike."""
    for one, other in ((0, 0), (0x100, 0x1_0000)):
        text = EEC.format(identifier(one, 0), identifier(other))
        can_ids = [identifier(one, 0), identifier(other, 1), identifier(other, 2)]
        result, _ = inspected(
            [of_frames([(can_id, "00" * 8) for can_id in can_ids])], spec_of(tmp_path, text, head=HEAD)
        )
        assert counts(result) == {"Eec": 1, "EecOther": 2}, one


def test_a_source_of_the_spec(tmp_path: Path) -> None:
    text = "messages: {Eec: {source: 0x05}, EecOther: {source: 0x01}}\n"
    result, _ = inspected([of_frames(FROM)], two(tmp_path, 0, 9, text))
    assert counts(result) == {"Eec": 1, "EecOther": 1}
    assert of_kind(result, "two_senders") == []
    eec = result.messages[0]
    assert eec.addresses == ((5, None, 1),)
    assert result.to_json()["messages"][0]["addresses"] == [{"source": "05", "destination": None, "count": 1}]


def test_any_cut_counts_the_same_addresses(tmp_path: Path) -> None:
    chunk = of_frames(FROM * 3)
    spec = two(tmp_path, 0, 0xFE)
    whole, _ = inspected([chunk], spec)
    pieces, _ = inspected(chunk.split(range(1, len(chunk))), spec)
    assert whole.to_json() == pieces.to_json()


def test_one_group_from_one_source_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match="Eec and EecOther have one parameter group, 0F004 from source 03"):
        two(tmp_path, 3, 0, "messages: {EecOther: {source: 0x03}, Eec: {source: 3}}\n")


def test_a_source_needs_a_parameter_group(tmp_path: Path) -> None:
    with pytest.raises(SpecError, match="A `source` needs 29 bits and a bus with `match: parameter_group`"):
        spec_of(
            tmp_path,
            EEC.format(identifier(61444), identifier(61445)),
            "messages: {Eec: {source: 0x05}}\n",
            head=HEAD.replace(", match: parameter_group", ""),
        )


def test_matching_by_identifier_stays_exact(tmp_path: Path) -> None:
    head = HEAD.replace("parameter_group", "identifier")
    spec = spec_of(tmp_path, EEC.format(identifier(61444, 0, 3), identifier(61445)), head=head)
    result, _ = inspected([of_frames(FROM)], spec)
    assert counts(result)["Eec"] == 1
    assert len(result.unknown_ids) == 2


def test_eleven_bits_on_such_a_bus_go_by_their_identifier(tmp_path: Path) -> None:
    text = (
        EEC.format(identifier(61444), identifier(61445))
        + 'BO_ 257 Short: 8 Node\n SG_ S : 0|8@1+ (1,0) [0|0] "" Other\n\n'
    )
    result, _ = inspected([of_frames([*FROM, (0x101, "00" * 8)])], spec_of(tmp_path, text, head=HEAD))
    assert counts(result) == {"Eec": 3, "EecOther": 0, "Short": 1}
    assert [len(message.addresses) for message in result.messages] == [3, 0, 0]  # Short has none to tell


def test_a_described_range_goes_before_the_reserved_codes(tmp_path: Path) -> None:
    text = f"BO_ {identifier(61444)} Own: 8 Node\n"
    text += ' SG_ Full : 0|8@1+ (1,0) [0|255] "" Other\n SG_ Part : 8|8@1+ (1,0) [0|250] "" Other\n\n'
    spec = spec_of(tmp_path, text, head=HEAD)
    full, part = spec.messages[0].message.signals
    assert full.no_data == ()
    assert part.no_data == (NoData(0xFE, 0xFE, "error"), NoData(0xFF, 0xFF, "not available"))


def test_where_a_part_of_a_sum_has_no_value_nothing_is_said_of_its_number(tmp_path: Path) -> None:
    """A sum of a float and of 8 bits, 0xFF of which is "not available" (SAE J1939-71, `j1939_codes`)."""
    text = f"BO_ {identifier(61444)} Own: 8 Node\n"
    text += ' SG_ V : 0|32@1- (1,0) [0|0] "m" Other\n SG_ W : 32|8@1+ (1,0) [0|250] "m" Other\n\n'
    field = (
        "record_types: {X: {fields: {y: {unit: m}}}}\n"
        "records: {r: {type: X, stamp: Own, y: {sum: [Own.V, Own.W]}}}\n"
    )
    floats = f"SIG_VALTYPE_ {identifier(61444)} V : 1;\n"
    spec = spec_of(tmp_path, text, field, head=HEAD, end=floats)
    for part, kind in ((1, "not_a_number"), (0xFF, "not_available")):
        data = struct.pack("<fB3x", math.inf, part)
        result, _ = inspected([of_frames([(0x0CF00400, data.hex())])], spec)
        assert [finding.kind for finding in serious(result)] == [kind]


def test_trouble_codes_of_one_and_of_several_packets(tmp_path: Path) -> None:
    """The frames that can-j1939 sends, all within a second of each other and one sender after the other."""
    kit = f'BO_ {identifier(65226)} DM1: 8 Node\n SG_ Lamps : 0|16@1+ (1,0) [0|0] "" Other\n'
    spec = spec_of(tmp_path, kit, "trouble_codes: {DM1: {}}\n", head=HEAD)
    for message in trouble_codes():
        rows = [
            (START_NS + i * 100 * MS, "can0", can_id, data) for i, (can_id, data) in enumerate(message.frames)
        ]
        chunk = frames(rows)
        chunk.extended[:] = True
        found = of_kind(inspected([chunk], spec)[0], "fault_reported")
        told = [(one.facts["spn"], one.facts["fmi"], one.value) for one in found]
        assert sorted(told) == sorted(message.codes)
        assert {one.facts["address"] for one in found} == {message.address}
