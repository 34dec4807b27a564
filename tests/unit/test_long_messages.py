"""Trouble codes that come in several packets (SAE J1939-21 and J1939-73, from memory)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.checks.common.long_messages import NO_PACKETS, PacketReader
from tests.kits import of_kind, row, span_ms, spec_of
from tests.published import trouble_codes
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

DM1 = 0x18FECA00
HEAD = "vehicle: Tractor\nbuses: {drive: {description: kit.dbc, channel: can0, match: parameter_group}}\n"
KIT = f'BO_ {DM1 | 1 << 31} Codes: 8 Node\n SG_ Lamps : 0|16@1+ (1,0) [0|0] "" Other\n'
ONE, TWO, FIVE, TWELVE = (message.frames for message in trouble_codes())
NOTHING = (DM1, bytes([0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF]))
Frame = tuple[int, bytes]


def spec(folder: Path) -> Spec:
    return spec_of(folder, KIT, "trouble_codes: {Codes: {}}\n", head=HEAD)


def told(kit: Spec, sent: list[Frame | None], every_ms: int = 100) -> Inspection:
    """What comes of frames, None where one is missing; the same in chunks of any size."""
    rows = [row(every_ms * i, *frame) for i, frame in enumerate(sent) if frame is not None]
    whole = frames(rows)
    whole = replace(whole, extended=np.ones(len(whole), np.bool_))
    result, _ = inspected([whole], kit)
    for step in (1, 2):
        assert inspected(whole.split(range(0, len(whole), step)), kit)[0].to_json() == result.to_json()
    return result


def codes(result: Inspection) -> list[tuple[object, int]]:
    """SPN and count of the findings."""
    return sorted((one.facts["spn"], one.count) for one in of_kind(result, "fault_reported"))


def test_codes_come_and_go_with_the_messages_that_hold_them(tmp_path: Path) -> None:
    result = told(spec(tmp_path), [*TWO, *TWO, *ONE, *[NOTHING] * 4])
    assert codes(result) == [(190, 2), (1208, 3)]
    assert result.unknown_ids == ()  # though no description has the packets
    spans = {one.facts["spn"]: span_ms(result, one) for one in of_kind(result, "fault_reported")}
    assert spans == {190: (200, 600), 1208: (200, 700)}  # a message is there with its last packet


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_message_without_one_of_its_packets_is_no_message(tmp_path: Path, lost: int) -> None:
    sent: list[Frame | None] = [*FIVE, *FIVE]
    sent[lost] = None
    result = told(spec(tmp_path), sent)
    assert codes(result) == [(100, 1), (110, 1), (190, 1), (1208, 1), (524286, 1)]
    (loss,) = of_kind(result, "loss")
    assert loss.text == (
        "1 message of Codes from address 3, in several packets, came without one of them and was not read."
    )
    assert (loss.severity, loss.count, loss.facts) == ("warning", 1, {"address": 3})


def test_a_message_whose_last_packet_is_missing_is_told_with_the_next(tmp_path: Path) -> None:
    result = told(spec(tmp_path), [*TWO[:-1], None, *TWO, *TWO[:-1], None, *TWO[:1]])
    assert codes(result) == [(190, 1), (1208, 1)]
    (loss,) = of_kind(result, "loss")
    assert loss.count == 2
    assert loss.text.startswith("2 messages of Codes from address 0, in several packets, came without")


def test_what_the_capture_cuts_off_is_no_loss(tmp_path: Path) -> None:
    result = told(spec(tmp_path), [*TWO[1:], *TWO, *FIVE[:-1]])
    assert (codes(result), of_kind(result, "loss")) == ([(190, 1), (1208, 1)], [])


@pytest.mark.parametrize(
    ("every_ms", "whole"),
    [(750, True), (751, False)],  # the time T1
)
def test_packets_that_come_too_late_mean_nothing(tmp_path: Path, every_ms: int, whole: bool) -> None:
    result = told(spec(tmp_path), [*TWO], every_ms)
    assert (len(codes(result)), len(of_kind(result, "loss"))) == ((2, 0) if whole else (0, 1))


def test_messages_of_two_senders_between_each_other(tmp_path: Path) -> None:
    mixed = [frame for pair in zip(TWO, FIVE, strict=False) for frame in pair] + FIVE[len(TWO) :]
    result = told(spec(tmp_path), [*mixed])
    assert codes(result) == [(100, 1), (110, 1), (190, 1), (190, 1), (1208, 1), (1208, 1), (524286, 1)]


def test_packets_instead_of_the_single_frame_are_no_silence(tmp_path: Path) -> None:
    """The description says 200 ms, and a single frame comes once in 2.1 s; the spec's own word counts."""
    sent: list[Frame | None] = [*ONE, *TWO * 7]
    for said, silences in (("", 0), ("messages: {Codes: {period: 200 ms}}\n", 1)):
        text = f"trouble_codes: {{Codes: {{}}}}\n{said}"
        kit = spec_of(tmp_path, KIT, text, head=HEAD, periods_ms={DM1 | 1 << 31: 200})
        result = told(kit, sent)
        assert len(of_kind(result, "stale")) == silences
        notes = [one.text for one in of_kind(result, "spec") if "comes in packets" in one.text]
        assert len(notes) == 1 - silences


def other(frame: Frame, place: int, byte: int) -> Frame:
    """A frame with another byte, counted from 0."""
    return frame[0], frame[1][:place] + bytes([byte]) + frame[1][place + 1 :]


@pytest.mark.parametrize(
    "announced",
    [
        other(TWO[0], 5, 0xCB),  # of another group, DM2
        other(TWO[0], 0, 16),  # from one node to another
        other(TWO[0], 3, 3),  # more packets than its bytes need
        (0x1CEC2100, TWO[0][1]),  # to one node
    ],
)
def test_what_announces_no_codes(tmp_path: Path, announced: Frame) -> None:
    result = told(spec(tmp_path), [announced, *TWO[1:]])
    assert (codes(result), of_kind(result, "loss")) == ([], [])


def test_what_has_begun_is_carried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = PacketReader.take

    def forgetting(self: PacketReader, *arguments: object) -> object:
        self._begun = NO_PACKETS
        return take(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(PacketReader, "take", forgetting)
    with pytest.raises(AssertionError):
        told(spec(tmp_path), [*TWELVE])
