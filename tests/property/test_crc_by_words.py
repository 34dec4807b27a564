"""A CRC of two bytes at a time is that of the registry's crccheck, which goes byte by byte."""

from __future__ import annotations

import numpy as np
from crccheck.crc import CrcBase
from hypothesis import given
from hypothesis import strategies as st

from canmap.payload.checksums import crc_of
from canmap.payload.crc_by_words import CrcByWords, PayloadByte
from canmap.vocabulary.checksum_profiles import CrcParameters

WIDTHS = (8, 16, 21, 32, 64)


def by_crccheck(crc: CrcParameters, data: bytes) -> int:
    reflected = {"_reflect_input": crc.reflected, "_reflect_output": crc.reflected}
    wanted = {"_width": crc.width, "_poly": crc.polynomial, "_xor_output": crc.final_xor}
    one = type("One", (CrcBase,), {**wanted, **reflected, "_initvalue": crc.initial})
    return int(one.calc(data))


@given(st.data())
def test_it_is_that_of_each_byte_in_turn(data: st.DataObject) -> None:
    width = data.draw(st.sampled_from(WIDTHS))
    number = st.integers(0, (1 << width) - 1)
    crc = CrcParameters(
        width, data.draw(number) | 1, data.draw(number), data.draw(st.booleans()), data.draw(number)
    )
    order = data.draw(st.permutations(range(8)))[: data.draw(st.integers(0, 8))]
    inputs: list[PayloadByte | int] = [
        PayloadByte(byte, data.draw(st.sampled_from([0xFF, 0xF0, 0x0F]))) for byte in order
    ]
    for _ in range(data.draw(st.integers(0, 3))):
        inputs.insert(data.draw(st.integers(0, len(inputs))), data.draw(st.integers(0, 255)))
    payload = np.frombuffer(data.draw(st.binary(min_size=24, max_size=24)), np.uint8).reshape(3, 8)
    wanted = [
        by_crccheck(crc, bytes(one if isinstance(one, int) else row[one.byte] & one.mask for one in inputs))
        for row in payload.tolist()
    ]
    assert CrcByWords(crc_of(crc), inputs).of(payload).tolist() == wanted
