"""Worked examples of DBC decoding and bit numbering, row by row.

The rows were computed by cantools and, separately, by an extractor built on the definition of the bit
numbering; both agree. tests/data/published/README.md tells of them.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.mapping.description.load import load_description
from canmap.signals.plan import DecodePlan
from canmap.signals.reference import bit_walk
from tests.decoding import by_frame, run
from tests.published import PUBLISHED, table

if TYPE_CHECKING:
    from canmap.mapping.description.description import Description


@pytest.fixture(scope="module")
def examples() -> Description:
    return load_description(str(PUBLISHED / "dbc_examples.dbc"))


def test_descriptions_are_read_as_the_table_has_them(examples: Description) -> None:
    messages = {message.name: message for message in examples.messages}
    rows = table("dbc_decoded")
    assert len(rows) > 90
    for row in rows:
        message = messages[row["message"]]
        signal = next(signal for signal in message.signals if signal.name == row["signal"])
        kind = "float" if signal.is_float else "signed" if signal.signed else "unsigned"
        assert (message.can_id, message.extended, message.length) == (
            int(row["frame_id"], 16),
            row["extended"] == "1",
            int(row["length_bytes"]),
        )
        assert (signal.start_bit, signal.bits, signal.unit) == (
            int(row["start_bit"]),
            int(row["length_bits"]),
            row["unit"],
        )
        assert signal.big_endian == (row["byte_order"] == "motorola")
        assert kind == row["kind"]
        assert (float(signal.factor), float(signal.offset)) == (float(row["factor"]), float(row["offset"]))


def test_values_are_decoded_as_the_table_has_them(examples: Description) -> None:
    plan = DecodePlan.build([("drive", examples)])
    messages = {message.name: message for message in examples.messages}
    rows = table("dbc_decoded")
    frames = [
        (messages[row["message"]].can_id, messages[row["message"]].extended, bytes.fromhex(row["data_hex"]))
        for row in rows
    ]
    for row, ours in zip(rows, by_frame(plan, run(plan, frames), len(frames)), strict=True):
        raw, physical = ours[row["signal"]]
        assert raw is not None
        described = next(s for s in messages[row["message"]].signals if s.name == row["signal"])
        assert raw % (1 << described.bits) == int(row["raw_unsigned_hex"], 16), row
        # Binary rounding of the printed decimals: 1e-9 relative, as the notes to the table say.
        assert physical == pytest.approx(float(row["physical"]), rel=1e-9, nan_ok=True), row
        if row["label"]:
            assert described.labels[raw] == row["label"]


def test_only_the_active_branch_of_a_multiplexer_is_decoded(examples: Description) -> None:
    plan = DecodePlan.build([("drive", examples)])
    messages = {message.name: message for message in examples.messages}
    listed: dict[tuple[str, str], set[str]] = {}
    for row in table("dbc_decoded"):
        listed.setdefault((row["message"], row["data_hex"]), set()).add(row["signal"])
    frames = [(messages[name].can_id, messages[name].extended, bytes.fromhex(data)) for name, data in listed]
    for signals, ours in zip(listed.values(), by_frame(plan, run(plan, frames), len(frames)), strict=True):
        assert ours.keys() == signals


def test_encoded_values_come_back(examples: Description) -> None:
    plan = DecodePlan.build([("drive", examples)])
    messages = {message.name: message for message in examples.messages}
    rows = table("dbc_encoded")
    frames = [
        (messages[row["message"]].can_id, messages[row["message"]].extended, bytes.fromhex(row["data_hex"]))
        for row in rows
    ]
    for row, ours in zip(rows, by_frame(plan, run(plan, frames), len(frames)), strict=True):
        for name, value in json.loads(row["values_json"]).items():
            signal = next(s for s in messages[row["message"]].signals if s.name == name)
            # Half a step of the raw count, which is what encoding rounds to; floats are exact.
            step = 0 if signal.is_float else abs(float(signal.factor)) / 2
            assert ours[name][1] == pytest.approx(value, abs=step * (1 + 1e-9), rel=1e-9), (row, name)


def expand(piece: str) -> list[int]:
    """Return the bits that `39..56` stands for: whole bytes, each from its top bit downwards."""
    first, _, last = piece.partition("..")
    if not last:
        return [int(first)]
    return [8 * byte + bit for byte in range(int(first) // 8, int(last) // 8 + 1) for bit in range(7, -1, -1)]


def test_big_endian_bits_are_walked_as_the_table_has_them(examples: Description) -> None:
    template = examples.messages[0].signals[0]
    rows = table("dbc_bit_walks")
    assert rows
    for row in rows:
        start, bits = int(row["start_bit"]), int(row["length_bits"])
        signal = replace(template, start_bit=start, bits=bits, big_endian=True, signed=False, is_float=False)
        walk = [bit for piece in row["bits_from_the_top"].split() for bit in expand(piece)]
        assert list(bit_walk(signal)) == walk
        # Set one bit of the payload at a time: the fast path must find it at its place in the walk.
        message = replace(examples.messages[0], can_id=1, extended=False, length=64, signals=(signal,))
        plan = DecodePlan.build([("drive", replace(examples, messages=(message,)))])
        frames = [(1, False, (1 << bit).to_bytes(64, "little")) for bit in walk]
        found = [frame[signal.name][0] for frame in by_frame(plan, run(plan, frames), len(frames))]
        assert found == [1 << (bits - 1 - place) for place in range(bits)]
