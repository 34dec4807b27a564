"""Buses whose messages came on another channel than the spec says: told once, and never on thin evidence.

Each kit is a list of identifiers a bus, every message of them promised every 10 ms; a capture says which
identifiers come on which channel, all every 10 ms for 2 s.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.checks.buses.unknown_ids import LISTED_IDS, MOST_IDS
from canmap.frames.chunks import FrameKind
from canmap.mapping.loader import load_spec
from tests.kits import DBC, row, serious, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

A, B, C = range(0x101, 0x105), range(0x201, 0x204), range(0x301, 0x303)


def kit(folder: Path, **buses: Iterable[int]) -> Spec:
    """A spec whose buses listen to can0, can1, ... in their order."""
    lines = []
    for number, (bus, ids) in enumerate(buses.items()):
        messages = "".join(
            f'BO_ {can_id} {bus}{can_id:03X}: 8 Node\n SG_ V : 0|8@1+ (1,0) [0|0] "" Other\n'
            for can_id in ids
        )
        periods = "\n".join(f'BA_ "GenMsgCycleTime" BO_ {can_id} 10;' for can_id in ids)
        (folder / f"{bus}.dbc").write_text(DBC.format(messages=messages, periods=periods), encoding="utf-8")
        lines.append(f"  {bus}: {{description: {bus}.dbc, channel: can{number}}}\n")
    (folder / "spec.yaml").write_text("vehicle: Test cart\nbuses:\n" + "".join(lines), encoding="utf-8")
    return load_spec(str(folder / "spec.yaml"))


def capture(**channels: Iterable[int]) -> FrameChunk:
    rows = [
        row(t_ms, can_id, channel=channel)
        for t_ms in range(0, 2000, 10)
        for channel, ids in channels.items()
        for can_id in ids
    ]
    return frames(rows, tuple(channels))


def found(spec: Spec, chunk: FrameChunk) -> list[Finding]:
    result, _ = inspected([chunk], spec)
    return serious(result)


def parts(finding: Finding, kind: str) -> list[Finding]:
    return [part for part in finding.parts if part.kind == kind]


def test_a_misnamed_channel_is_named(tmp_path: Path) -> None:
    spec = kit(tmp_path, a=A, b=B)
    result, _ = inspected([capture(can4=A, can1=B)], spec)
    (finding,) = serious(result)
    assert finding.text == (
        "Bus a listens to channel can0, which the capture does not have; channel can4 carries 4 of the 4 "
        'messages of a: give channels={"a": "can4"}.'
    )
    assert (finding.kind, finding.place.bus, finding.count) == ("missing", "a", 4)
    assert {part.place.message for part in parts(finding, "missing")} == {f"a{can_id:03X}" for can_id in A}
    assert told(parts(finding, "unknown_id")) == [
        "No bus of the spec listens to channel can4, which has 800 frames."
    ]
    assert {one.facts.get("reason") for one in result.findings if one is not finding} == {"loss_not_told"}


def test_a_channel_that_carries_something_else_says_so(tmp_path: Path) -> None:
    (finding,) = found(kit(tmp_path, a=A), capture(can0=[0x700, A[0]], can4=A))
    assert "listens to channel can0, which carries 1 of its 4 messages; channel can4" in finding.text
    (finding,) = found(kit(tmp_path, a=A), capture(can0=[0x700], can4=A))
    assert "listens to channel can0, which carries none of its 4 messages; channel can4" in finding.text


def test_swapped_channels_are_one_finding(tmp_path: Path) -> None:
    result, _ = inspected([capture(can0=[*B, 0x7A0], can1=[*A, 0x7A1])], kit(tmp_path, a=A, b=B))
    (finding,) = serious(result)
    assert finding.text == (
        "Channels can0 and can1 look swapped: channel can1 carries 4 of the 4 messages of bus a, "
        'channel can0 3 of the 3 of bus b: give channels={"a": "can1", "b": "can0"}.'
    )
    assert (finding.place.bus, finding.count, finding.open) == (None, 7, True)
    assert len(parts(finding, "missing")) == len(parts(finding, "unknown_id")) == 7
    assert [note.text for note in result.findings if note is not finding] == [
        "The description of bus a does not know 7A0, which came 200 times.",
        "The description of bus b does not know 7A1, which came 200 times.",
    ]
    assert {can_id for _, can_id, _, _ in result.unknown_ids} == {0x7A0, 0x7A1}


def test_three_buses_in_a_ring_are_one_finding(tmp_path: Path) -> None:
    (finding,) = found(kit(tmp_path, a=A, b=B, c=C), capture(can0=B, can1=C, can2=A))
    assert finding.text == (
        "Channels can0, can1 and can2 look swapped: channel can2 carries 4 of the 4 messages of bus a, "
        "channel can0 3 of the 3 of bus b, channel can1 2 of the 2 of bus c: "
        'give channels={"a": "can2", "b": "can0", "c": "can1"}.'
    )


def test_channels_counted_from_another_number_are_one_finding(tmp_path: Path) -> None:
    (finding,) = found(kit(tmp_path, a=A, b=B), capture(can1=A, can2=B))
    assert finding.text == (
        "The channels of buses a and b look misnamed: channel can1 carries 4 of the 4 messages of bus a, "
        'channel can2 3 of the 3 of bus b: give channels={"a": "can1", "b": "can2"}.'
    )


def test_a_bus_of_one_message_gives_way_to_the_one_that_is_found_at_its_channel(tmp_path: Path) -> None:
    spec = kit(tmp_path, a=A, b=[0x201])
    (finding,) = found(spec, capture(can0=[0x201], can1=A))
    assert (
        "channel can1 carries 4 of the 4 messages of bus a, channel can0 1 of the 1 of bus b: give"
        in finding.text
    )
    # What was not recorded at all is not there to be found: both are told, the options still fit together.
    (finding,) = found(spec, capture(can1=A))
    assert finding.text.startswith(
        "The channels of buses a and b look misnamed: channel can1 carries 4 of the 4"
    )
    assert finding.text.endswith('can0 none of the 1 of bus b: give channels={"a": "can1", "b": "can0"}.')


def test_half_of_the_messages_are_enough(tmp_path: Path) -> None:
    spec = kit(tmp_path, a=A)
    (finding,) = found(spec, capture(can4=A[:2]))
    assert "channel can4 carries 2 of the 4 messages of a: give" in finding.text
    (finding,) = found(spec, capture(can4=A[:1]))
    assert "Name the right one with" in finding.text


@pytest.mark.parametrize(
    ("buses", "channels"),
    [
        ({"a": [0x101], "b": B}, {"can0": [0x700], "can1": [*B, 0x101]}),  # one identifier
        ({"a": [0x101, 0x102, *range(0x401, 0x404)], "b": B}, {"can0": [0x700], "can1": [*B, 0x101, 0x102]}),
        ({"a": A, "b": A}, {"can0": A, "can1": A}),  # the same kit twice
        ({"a": A, "b": A}, {"can4": A, "can5": A}),
        ({"a": A, "b": B}, {"can0": range(0x501, 0x509), "can1": range(0x601, 0x609)}),  # another vehicle
        ({"a": A, "b": B}, {"can1": [*A, *B]}),  # both recorded as one channel, where one of them listens
        ({"a": A, "b": B}, {"can0": A, "can1": B, "can2": A}),  # one bus recorded twice
        ({"a": A, "b": B}, {"can0": A[:3], "can1": B, "can2": A}),
    ],
    ids=[
        "one identifier", "few", "same kit twice", "same kit twice, elsewhere", "another vehicle",
        "both on one channel", "recorded twice", "recorded twice, once with a gap",
    ],
)  # fmt: skip
def test_thin_evidence_moves_no_bus(
    buses: Mapping[str, Iterable[int]], channels: Mapping[str, Iterable[int]], tmp_path: Path
) -> None:
    result, _ = inspected([capture(**channels)], kit(tmp_path, **buses))
    texts = told(result.findings)
    assert [
        text for text in texts if "look " in text or "carries" in text or 'give channels={"' in text
    ] == []


def test_a_message_read_by_the_wrong_description_accuses_nobody(tmp_path: Path) -> None:
    """Both buses know 0x180; swapped, it comes twice as often as that of the other is promised."""
    spec = kit(tmp_path, a=[*A, 0x180], b=[*B, 0x180])
    text = (tmp_path / "b.dbc").read_text(encoding="utf-8").replace("BO_ 384 10;", "BO_ 384 20;")
    (tmp_path / "b.dbc").write_text(text, encoding="utf-8")
    spec = load_spec(spec.path)
    (finding,) = found(spec, capture(can0=B, can1=[*A, 0x180]))
    assert (
        "look swapped: channel can1 carries 5 of the 5 messages of bus a, channel can0 3 of the 4 of bus b"
        in finding.text
    )
    assert [part.place.message for part in parts(finding, "rate")] == ["b180"]


def test_messages_of_29_bits_are_found_too(tmp_path: Path) -> None:
    spec = kit(tmp_path, a=[1 << 31 | 0x101, 1 << 31 | 0x201])
    chunk = capture(can4=[0x101, 0x201])
    assert "Name the right one" in found(spec, chunk)[0].text  # of 11 bits they are others
    chunk.extended[:] = True
    (finding,) = found(spec, chunk)
    assert "channel can4 carries 2 of the 2 messages of a: give" in finding.text


def test_parameter_groups_are_found_whatever_their_source(tmp_path: Path) -> None:
    kit(tmp_path, a=[1 << 31 | 0x18FF01FE, 1 << 31 | 0x18FF02FE])
    text = (
        (tmp_path / "spec.yaml").read_text(encoding="utf-8").replace("can0}", "can0, match: parameter_group}")
    )
    (tmp_path / "spec.yaml").write_text(text, encoding="utf-8")
    chunk = capture(can4=[0x0CFF0133, 0x0CFF0233])  # another priority, a source of their own
    chunk.extended[:] = True
    (finding,) = found(load_spec(str(tmp_path / "spec.yaml")), chunk)
    assert "channel can4 carries 2 of the 2 messages of a: give" in finding.text


def test_error_and_remote_frames_prove_nothing(tmp_path: Path) -> None:
    chunk = capture(can4=A)
    chunk.kind[:] = FrameKind.REMOTE
    (finding,) = found(kit(tmp_path, a=A), chunk)
    assert "Name the right one" in finding.text


def test_buses_of_which_nothing_has_to_come_are_found_by_all_their_messages(tmp_path: Path) -> None:
    kit(tmp_path, a=A, b=B)
    for name in ("a.dbc", "b.dbc"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        (tmp_path / name).write_text(text.replace(" 10;", " 0;"), encoding="utf-8")
    (finding,) = found(load_spec(str(tmp_path / "spec.yaml")), capture(can0=B, can1=A))
    assert "Channels can0 and can1 look swapped" in finding.text
    assert parts(finding, "missing") == []
    assert len(parts(finding, "unknown_id")) == 7


def test_what_is_counted_of_a_channel_without_a_bus_is_bounded(tmp_path: Path) -> None:
    spec = kit(tmp_path, a=A)
    for others, is_found in ((MOST_IDS - 4, True), (MOST_IDS, False)):
        chunk = frames(
            [
                *(row(0, 0x700, channel="can4") for _ in range(others)),
                *(row(1, i, channel="can4") for i in A),
            ],
            ("can4",),
        )
        chunk.extended[:others] = True
        chunk.can_id[:others] = range(1000, 1000 + others)
        (finding,) = found(spec, chunk)
        assert ("channel can4 carries 4 of the 4" in finding.text) is is_found


def test_the_parts_that_explain_a_swap_are_listed_to_a_limit(tmp_path: Path) -> None:
    many = range(0x101, 0x101 + LISTED_IDS + 5)
    (finding,) = found(kit(tmp_path, a=many, b=B), capture(can0=B, can1=many))
    notes = parts(finding, "unknown_id")
    assert len(notes) == LISTED_IDS + 1
    assert sum(note.count for note in notes) == 200 * (len(many) + len(B))


def test_a_capture_of_another_vehicle_is_one_finding_a_bus(tmp_path: Path) -> None:
    first, second = found(kit(tmp_path, a=A, b=B), capture(can0=range(0x501, 0x509), can1=[0x601]))
    assert (first.kind, first.severity, first.place.bus) == ("missing", "error", "a")
    assert first.text == (
        "No message of bus a came on channel can0, but 8 other identifiers did: check that capture and "
        "description are of one vehicle, and that its nodes had power. So 4 messages never came: a101, a102, "
        "a103 and a104."
    )
    assert len(first.parts) == 4
    assert second.text.startswith(
        "No message of bus b came on channel can1, but 1 other identifier did: check"
    )


@pytest.mark.parametrize(
    ("described", "came", "said"), [(1, 0, "11 bits instead of 29"), (0, 1, "29 bits instead of 11")]
)
def test_identifiers_of_the_wrong_length_are_one_finding(
    described: int, came: int, said: str, tmp_path: Path
) -> None:
    spec = kit(tmp_path, a=[described << 31 | can_id for can_id in A])
    chunk = capture(can0=[*A, 0x700])
    chunk.extended[:] = bool(came)
    (finding,) = found(spec, chunk)
    assert finding.text.startswith(
        f"No message of bus a came on channel can0, but 4 of its identifiers did with {said}: correct them "
        "in the description. So 4 messages never came: "
    )


def test_a_bus_of_which_anything_came_is_no_stranger(tmp_path: Path) -> None:
    others = range(0x501, 0x509)
    result = found(kit(tmp_path, a=A), capture(can0=[A[0], *others]))
    assert [finding for finding in result if "other identifiers" in finding.text] == []
    # Nor is one without any frame but error frames: a dead bus has no identifiers.
    chunk = capture(can0=A)
    chunk.kind[:] = FrameKind.ERROR
    assert [finding for finding in found(kit(tmp_path, a=A), chunk) if "identifier" in finding.text] == []


def test_another_fault_is_told_beside_a_swap(tmp_path: Path) -> None:
    """The third bus, where it should be, loses a message; the swap explains nothing of it."""
    chunk = capture(can0=B, can1=A, can2=C)
    chunk = chunk.take((chunk.can_id != C[0]) | (chunk.t_ns < chunk.t_ns[0] + 10**9))
    silent, swapped = sorted(
        found(kit(tmp_path, a=A, b=B, c=C), chunk), key=lambda finding: -finding.start_ns
    )
    assert "look swapped" in swapped.text
    assert (silent.kind, silent.place.message) == ("stale", "c301")
