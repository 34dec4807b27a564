"""Laws of packing: what is packed is what cantools packs, and what our own reader reads back."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import cantools
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canmap.payload.packing import Packing, limits, raw_of
from canmap.signals.plan import DecodePlan
from tests.decoding import by_frame, cantools_decode, run
from tests.layouts import HEADER, descriptions
from tests.property.test_extract import load

if TYPE_CHECKING:
    from hypothesis.strategies import DataObject

    from canmap.mapping.description.description import DescribedMessage
    from tests.layouts import MessageSketch


@given(descriptions(), st.data())
def test_packing_is_reading_turned_round(
    described: tuple[str, list[MessageSketch]], data: DataObject
) -> None:
    """Any payload, read and packed again: every described bit is back, every other is 0 (cantools)."""
    text, _ = described
    description = load(text)
    plan = DecodePlan.build([("drive", description)])
    database = cantools.database.load_string(text, "dbc")
    for message in description.messages:
        payloads = data.draw(
            st.lists(st.binary(min_size=message.length, max_size=message.length), min_size=1, max_size=5)
        )
        packed = packed_again(message, plan, payloads)
        theirs = database.get_message_by_name(message.name)
        for whole, ours in zip(payloads, packed, strict=True):
            read = cantools_decode(theirs, whole, scaling=False)
            if read is not None and not any(isinstance(n, float) and math.isnan(n) for n in read.values()):
                assert ours == theirs.encode(read, scaling=False, strict=False)


def packed_again(message: DescribedMessage, plan: DecodePlan, payloads: list[bytes]) -> list[bytes]:
    """Read whole payloads of a message, pack what was read in one go, and see that it reads the same."""
    frames = [(message.can_id, message.extended, payload) for payload in payloads]
    before = by_frame(plan, run(plan, frames), len(frames))
    packing = Packing(message)
    columns = {
        name: np.array([int(frame.get(name, (0, 0))[0] or 0) & (1 << 64) - 1 for frame in before], np.uint64)
        & np.uint64((1 << signal.bits) - 1)
        for name, signal in packing.signals.items()
    }
    packed = [row.tobytes() for row in packing.pack(columns, len(frames))]
    for row, payload in enumerate(packed):
        assert packing.pack_one({name: int(column[row]) for name, column in columns.items()}) == payload
    again = [(message.can_id, message.extended, payload) for payload in packed]
    assert [
        {name: raw for name, (raw, _) in frame.items()}
        for frame in by_frame(plan, run(plan, again), len(frames))
    ] == [{name: raw for name, (raw, _) in frame.items()} for frame in before]
    for row, payload in enumerate(packed):
        for name, (raw, _) in before[row].items():
            if not packing.signals[name].is_float:
                assert packing.read(payload, name) == raw
                signal = packing.signals[name]
                value = raw * float(signal.factor) + float(signal.offset)
                assert packing.read_each(payload, (name, name)) == [value, value]
    return packed


@given(descriptions(), st.data())
def test_physical_values_go_to_the_nearest_count(
    described: tuple[str, list[MessageSketch]], data: DataObject
) -> None:
    for message in load(described[0]).messages:
        packing, values = Packing(message), {}
        for signal in message.signals:
            if signal.is_float:
                continue
            least, most = limits(signal)
            count = data.draw(st.integers(max(least, -(1 << 40)), min(most, 1 << 40)))
            apart = data.draw(st.sampled_from([-0.4, 0.0, 0.4]))
            value = (count + apart) * float(signal.factor) + float(signal.offset)
            values[signal.name] = value
            mask = (1 << signal.bits) - 1
            if abs(float(signal.offset)) < 1e3 * abs(float(signal.factor)) * max(1, abs(count)):
                assert int(raw_of(signal, value)) == count & mask
            assert packing.raw_of_one(signal.name, value) == int(raw_of(signal, value))
            beyond = [1e30 * float(signal.factor), -1e30 * float(signal.factor)]
            assert [int(raw) for raw in raw_of(signal, np.array(beyond))] == [most & mask, least & mask]
            assert [packing.raw_of_one(signal.name, each) for each in beyond] == [most & mask, least & mask]
        raw = {name: packing.raw_of_one(name, value) for name, value in values.items()}
        first = dict(list(raw.items())[:1])
        others = {name: value for name, value in values.items() if name not in first}
        assert packing.payload_of({"elsewhere": 1.0, **others}, first) == packing.pack_one(raw)


@given(st.lists(st.floats(width=32, allow_nan=False), min_size=1), st.sampled_from([32, 64]))
def test_numbers_are_packed_as_they_are(numbers: list[float], bits: int) -> None:
    signal = f'BO_ 1 M: 8 Kit\n SG_ S : 0|{bits}@1- (1,0) [0|0] "" Kit\n\n'
    text = f"{HEADER}{signal}SIG_VALTYPE_ 1 S : {bits // 32};\n"
    (message,) = load(text).messages
    packing = Packing(message)
    packed = packing.pack({"S": raw_of(message.signals[0], np.array(numbers))}, len(numbers))
    one_by_one = [packing.pack_one({"S": packing.raw_of_one("S", number)}) for number in numbers]
    assert [row.tobytes() for row in packed] == one_by_one
    read = packed[:, : bits // 8].copy().view(f"<f{bits // 8}")[:, 0]
    assert read.tolist() == numbers
