"""The check of checksums: failed frames are findings, a wrong spec is said once with its likely cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from crccheck.crc import Crc

from canmap.checks.protection.checksum_evidence import SAMPLED, hashes
from canmap.checks.protection.wrong_checksums import ChecksumCheck
from canmap.engine.engine import Engine
from canmap.findings.episodes import Closed, Opened
from tests import kits
from tests.finding_numbers import lacking
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

DBC = """\
BO_ 256 Tick: 8 Node
 SG_ Value : 0|32@1+ (1,0) [0|0] "" Other
 SG_ Counter : 48|4@1+ (1,0) [0|0] "" Other
 SG_ Check : 56|8@1+ (1,0) [0|0] "" Other
"""
RIGHT = "signal: Check, profile: CRC-8/AUTOSAR"


def spec_of(folder: Path, checksum: str = RIGHT) -> Spec:
    return kits.spec_of(
        folder, DBC, f"messages: {{Tick: {{counter: {{signal: Counter}}, checksum: {{{checksum}}}}}}}\n"
    )


def crc(data: bytes) -> int:
    return Crc(8, 0x2F, 0xFF, False, False, 0xFF).process(data).final()


def payload(number: int, check: Callable[[bytes], int] = crc, still: bool = False) -> bytes:
    """A frame of the sender by its number; `still`: only its counter changes."""
    data = (0 if still else number * 7919).to_bytes(6, "little")[:6] + bytes([number % 16])
    return data + bytes([check(data)])


def run(spec: Spec, payloads: Iterable[bytes]) -> Inspection:
    result, events = inspected([frames(kits.row(10 * i, data=one) for i, one in enumerate(payloads))], spec)
    begun = [event.finding.place for event in events if isinstance(event, Opened)]
    ended = [event.finding.place for event in events if isinstance(event, Closed)]
    assert sorted(map(str, begun)) == sorted(map(str, ended))
    assert not [lacking(one) for one in result.findings if lacking(one)]
    return result


def only(result: Inspection) -> Finding:
    (finding,) = kits.serious(result)
    assert finding.kind == "checksum"
    assert (finding.place.message, finding.place.signal, finding.severity.value) == ("Tick", "Check", "error")
    return finding


def known(result: Inspection):
    (message,) = result.to_json()["messages"]
    return message["checksum"]


def test_right_checksums_are_no_finding_and_confirm_the_spec(tmp_path: Path) -> None:
    result = run(spec_of(tmp_path), map(payload, range(300)))
    assert kits.serious(result) == []
    assert "`checksum`" not in " ".join(finding.text for finding in result.findings)
    assert known(result) == {
        "frames": 300, "wrong": 0, "different_payloads": 300, "passed": 300, "confirmed": True
    }  # fmt: skip


@pytest.mark.parametrize(("different", "confirmed"), [(19, False), (20, True)])
def test_a_spec_is_confirmed_by_twenty_different_payloads_only(
    tmp_path: Path, different: int, confirmed: bool
) -> None:
    """However often they come."""
    result = run(spec_of(tmp_path), (payload(i % different) for i in range(500)))
    assert known(result)["different_payloads"] == different
    assert known(result)["confirmed"] is confirmed


def test_failed_frames_are_one_finding_with_what_came_and_what_was_expected(tmp_path: Path) -> None:
    sent = [payload(i) for i in range(300)]
    for i in (100, 101, 103):
        sent[i] = sent[i][:7] + bytes([sent[i][7] ^ 0x41])
    result = run(spec_of(tmp_path), sent)
    finding = only(result)
    assert kits.span_ms(result, finding) == (1000, 1040)
    expected = sent[100][7] ^ 0x41
    assert finding.text == (
        f"Tick.Check was wrong in 3 of 4 frames: "
        f"the first had 0x{sent[100][7]:02X} instead of 0x{expected:02X}."
    )
    facts = {"came": f"0x{sent[100][7]:02X}", "expected": f"0x{expected:02X}", "frames": 4, "share": 0.75}
    assert finding.facts == {**facts, "profile": "CRC-8/AUTOSAR"}
    assert (finding.count, finding.line) == (3, 101)
    assert known(result)["wrong"] == 3
    assert known(result)["confirmed"]


def test_one_failed_frame(tmp_path: Path) -> None:
    sent = [payload(i) for i in range(300)]
    sent[7] = bytes([sent[7][0] ^ 1]) + sent[7][1:]
    finding = only(run(spec_of(tmp_path, f"{RIGHT}, page: 12"), sent))
    assert finding.text.startswith("Tick.Check was wrong in one frame: it had 0x")
    assert finding.text.endswith(" (page 12 of the manual).")


def test_a_short_payload_has_no_checksum_to_be_wrong(tmp_path: Path) -> None:
    sent = [payload(i) for i in range(50)]
    sent[20] = sent[20][:7]
    result = run(spec_of(tmp_path), sent)
    assert {finding.kind.value for finding in kits.serious(result)} == {"length"}
    assert known(result)["frames"] == 49


def test_more_stretches_than_are_listed(tmp_path: Path) -> None:
    sent = [payload(i) for i in range(1000)]
    for i in range(0, 1000, 10):
        sent[i] = bytes([sent[i][0] ^ 1]) + sent[i][1:]
    found = kits.serious(run(spec_of(tmp_path), sent))
    assert len(found) == 21
    assert found[-1].count == 80
    assert "in 80 more stretches that are not listed: the first had" in found[-1].text


WRONG = {
    "initial": "signal: Check, polynomial: 0x2F, initial: 0, final_xor: 0xFF",
    "final XOR": "signal: Check, polynomial: 0x2F, initial: 0xFF",
    "data id": f"{RIGHT}, data_id: 7, order: [data_id, payload]",
}


@pytest.mark.parametrize("what", WRONG)
def test_a_wrong_spec_is_said_once_with_the_parameter_that_is_likely_wrong(tmp_path: Path, what: str) -> None:
    result = run(spec_of(tmp_path, WRONG[what]), map(payload, range(3000)))
    finding = only(result)
    profile = "CRC-8/AUTOSAR, " if what == "data id" else ""
    assert finding.text.startswith(
        f"Tick.Check is not what the spec says ({profile}line 4): of {SAMPLED} different payloads none has "
        "the right checksum; each differs by 0x"
    )
    ends = " from what the spec gives, so that `initial`, `final_xor` or `data_id` is likely to be wrong."
    assert finding.text.endswith(ends)
    assert (finding.count, finding.open, finding.facts["reason"]) == (3000, True, "wrong_spec")
    assert not known(result)["confirmed"]


def test_a_wrong_polynomial_passes_by_chance_and_has_no_constant_difference(tmp_path: Path) -> None:
    result = run(spec_of(tmp_path, "signal: Check, polynomial: 0x9B"), map(payload, range(3000)))
    finding = only(result)
    assert "no more than by chance" in finding.text
    assert "differs" not in finding.text
    assert "likely" not in finding.facts
    assert 0 < 3000 - finding.count < 60  # 1 of 256, by chance
    assert finding.count == known(result)["wrong"]


@pytest.mark.parametrize(("different", "said"), [(199, False), (200, True)])
def test_a_spec_is_called_wrong_by_two_hundred_different_payloads_only(
    tmp_path: Path, different: int, said: bool
) -> None:
    result = run(
        spec_of(tmp_path, "signal: Check, polynomial: 0x9B"), (payload(i % different) for i in range(1000))
    )
    told = [finding.facts.get("reason") == "wrong_spec" for finding in kits.serious(result)]
    assert any(told) is said


def test_a_message_that_stands_still_says_nothing_of_the_spec(tmp_path: Path) -> None:
    """A thousand frames, but sixteen different payloads."""
    spec = spec_of(tmp_path, "signal: Check, polynomial: 0x2F, initial: 0")
    finding = only(run(spec, (payload(i, still=True) for i in range(1000))))
    assert finding.text.startswith(
        "Tick.Check was wrong in 1,000 frames in a row from the start: the first had"
    )
    assert "likely" not in finding.facts


def test_twenty_payloads_are_enough_to_name_a_constant_difference(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, "signal: Check, polynomial: 0x2F, initial: 0xFF, final_xor: 0xF0")
    finding = only(run(spec, map(payload, range(40))))
    assert "; each differs by 0x0F from what the spec gives, so that" in finding.text
    assert "reason" not in finding.facts


def test_the_counter_of_the_frame_before_is_named(tmp_path: Path) -> None:
    """The sender counts on after it has worked the checksum out."""

    def late(data: bytes) -> int:
        return crc(data[:6] + bytes([(data[6] - 1) % 16]))

    finding = only(run(spec_of(tmp_path), (payload(i, late) for i in range(400))))
    assert "; each is right with the counter of the frame before, so that" in finding.text
    assert finding.facts["likely"] == ("counter of the frame before",)
    assert finding.facts["reason"] == "wrong_spec"


def test_a_sum_that_lacks_the_identifier_is_told_to_take_it_in(tmp_path: Path) -> None:
    """0x100 and 8 bytes: 0x01 + 0x00 + 0x08 = 0x09."""
    spec = spec_of(tmp_path, "signal: Check, profile: sum8, order: [payload]")
    finding = only(run(spec, (payload(i, lambda data: (sum(data) + 9) % 256) for i in range(300))))
    assert (
        "each differs by 0x09 from what the spec gives, which is what the identifier and length would add"
        in (finding.text)
    )
    assert finding.facts["likely"] == ("order", "identifier", "length")
    spec = spec_of(tmp_path, "signal: Check, profile: sum8")
    finding = only(run(spec, (payload(i, lambda data: (sum(data) + 77) % 256) for i in range(300))))
    assert finding.facts["likely"] == ("initial", "data_id")


INVERTED = {
    "profile: sum8, final_xor: 0xFF": ("0x81", ("initial", "data_id")),
    "profile: sum8, final_xor: 0xFF, data_id: 0x11, order: [payload, data_id]": (
        "0x70",
        ("initial", "data_id"),
    ),
    "profile: sum8, data_id: 0x81, order: [payload, data_id]": ("0xFF", ("final_xor",)),
}


@pytest.mark.parametrize("said", INVERTED)
def test_an_inverted_sum_that_starts_with_an_address(tmp_path: Path, said: str) -> None:
    """The sender takes 0x81 into its sum, and inverts it."""
    differs, likely = INVERTED[said]
    spec = spec_of(tmp_path, f"signal: Check, {said}")
    finding = only(run(spec, (payload(i, lambda data: ~(sum(data) + 0x81) % 256) for i in range(300))))
    before = ", before it is inverted" if differs != "0xFF" else ""
    assert f"each differs by {differs} from what the spec gives{before}, so that" in finding.text
    assert finding.facts["likely"] == likely


def test_a_profile_points_to_its_data_identifier(tmp_path: Path) -> None:
    def protect(data: bytes) -> int:
        return Crc(8, 0x1D, 0, False, False, 0).process(b"\x23\x01" + data).final()

    spec = spec_of(tmp_path, "signal: Check, profile: E2E P01, data_id: 0x0124")
    finding = only(run(spec, (payload(i, protect) for i in range(300))))
    assert finding.facts["likely"] == ("data_id", "data_id_mode")
    right = spec_of(tmp_path, "signal: Check, profile: E2E P01, data_id: 0x0123")
    assert kits.of_kind(run(right, (payload(i, protect) for i in range(300))), "checksum") == []


def test_a_fault_at_the_start_does_not_make_the_spec_wrong(tmp_path: Path) -> None:
    """Most of the stream is right: then it is the frames that are wrong, however long."""
    sent = [payload(i) for i in range(4000)]
    for i in range(1500):
        sent[i] = sent[i][:7] + bytes([sent[i][7] ^ 0x5A])
    finding = only(run(spec_of(tmp_path), sent))
    assert finding.text.startswith("Tick.Check was wrong in 1,500 frames in a row: the first had")
    assert "likely" not in finding.facts


def test_the_sample_is_of_the_whole_stream_and_does_not_depend_on_how_it_is_cut(tmp_path: Path) -> None:
    whole = frames(kits.row(10 * i, data=payload(i % 1500)) for i in range(3000))
    spec = spec_of(tmp_path)
    samples = []
    for points in ([], range(1, 3000, 7), range(0, 3000, 1000)):
        engine = Engine(spec)
        for prepared in engine.prepared(whole.split(list(points))):
            engine.fold(prepared)
        (evidence,) = engine.check(ChecksumCheck)._evidence.values()
        samples.append(evidence._hash.tolist())
    everything = sorted(set(hashes(whole.payload, whole.length, 8, None).tolist()))
    assert len(everything) == 1500
    assert samples == [everything[:SAMPLED]] * 3


def test_a_hash_is_the_same_in_a_wider_chunk() -> None:
    payloads = np.random.default_rng(2).integers(0, 256, (20, 8), np.uint8)
    length = np.full(20, 8, np.uint8)
    wide = np.zeros((20, 64), np.uint8)
    wide[:, :8] = payloads
    assert (hashes(payloads, length, 12, None) == hashes(wide, length, 12, None)).all()
    assert (hashes(payloads, length, 8, None) != hashes(payloads, length - np.uint8(1), 8, None)).all()
    by_id = hashes(payloads, length, 8, np.arange(20, dtype=np.uint32))
    assert (by_id[1:] != hashes(payloads, length, 8, None)[1:]).all()
