"""Simulator: a frame as the very bits on the wire, one by one: slow and obvious.

The twin of the tables in `frame_bits.py`, and what tells at which bit two frames differ. Field layouts:
Linux include/linux/can/length.h; check sums, stuffing and the stuff count: ISO 11898-1 (from memory where
no published value checks them: start value and coverage of the FD check sums).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD

if TYPE_CHECKING:
    from canmap.simulator.buses.frame import Frame

RUN = 5  # equal bits after which a bit of the other level is put in
CRC15 = (15, 0x4599)
CRC17 = (17, 0x1685B)
CRC21 = (21, 0x102899)
LONGEST_CRC17 = 16  # payload bytes; longer ones are checked by CRC-21
# The stuff count of an FD frame, by dynamic stuff bits modulo 8: Gray code and even parity (from memory).
STUFF_COUNT_CODES = ("0000", "0011", "0110", "0101", "1100", "1111", "1010", "1001")


def header(frame: Frame) -> str:
    """Return the bits from the start of frame to the data length code, not stuffed."""
    remote = str(int(frame.remote))
    if frame.extended:
        upper, lower = frame.can_id >> 18, frame.can_id & 0x3FFFF
        identifier = f"0{upper:011b}11{lower:018b}{remote}"
    else:
        identifier = f"0{frame.can_id:011b}{remote}0"
    return f"{identifier}{_control(frame)}{frame.length_code:04b}"


def _control(frame: Frame) -> str:
    if not frame.flags & FLAG_FD:
        return "00" if frame.extended else "0"
    switch = "1" if frame.flags & FLAG_BIT_RATE_SWITCH else "0"
    passive = "1" if frame.flags & FLAG_ERROR_PASSIVE else "0"
    return f"10{switch}{passive}"


def arbitration_length(frame: Frame) -> int:
    """Return the bits of the header of an FD frame up to its bit rate switch, that one included."""
    return len(header(frame)) - 5


def body(frame: Frame) -> str:
    """Return the bits from the start of frame to the last data bit, not stuffed."""
    return header(frame) + "".join(f"{byte:08b}" for byte in frame.payload)


def crc(bits: str, width: int, polynomial: int, start: int = 0) -> int:
    """Return the check sum of `bits`, most significant bit first."""
    top, mask, value = 1 << (width - 1), (1 << width) - 1, start
    for bit in bits:
        feedback = bool(value & top) != (bit == "1")
        value = (value << 1 & mask) ^ (polynomial if feedback else 0)
    return value


def stuffed(bits: str) -> str:
    """Return `bits` with a bit of the other level after every five equal ones."""
    out: list[str] = []
    run = 0
    for bit in bits:
        run = run + 1 if out and out[-1] == bit else 1
        out.append(bit)
        if run == RUN:
            out.append(_other(bit))
            run = 1
    return "".join(out)


def wire_bits(frame: Frame) -> str:
    """Return the bits on the wire from the start of frame to the end of the check sum.

    A stuff bit due after the last bit of a classic check sum is part of it. The check sum delimiter and
    what follows are all recessive but for the acknowledgement, and never stuffed.
    """
    bits = body(frame)
    if not frame.flags & FLAG_FD:
        return stuffed(bits + f"{crc(bits, *CRC15):015b}")
    sent = stuffed(bits[:-1]) + bits[-1]  # the first fixed bit stands for one due at the very end
    code = STUFF_COUNT_CODES[(len(sent) - len(bits)) % 8]
    width, polynomial = CRC17 if len(frame.payload) <= LONGEST_CRC17 else CRC21
    check = crc(sent + code, width, polynomial, start=1 << (width - 1))
    return sent + _fixed(sent[-1], f"{code}{check:0{width}b}")


def _fixed(last: str, bits: str) -> str:
    """Return the check field of an FD frame: before every four bits the opposite of the bit before."""
    out = last
    for start in range(0, len(bits), 4):
        out += _other(out[-1]) + bits[start : start + 4]
    return out[1:]


def _other(bit: str) -> str:
    return "1" if bit == "0" else "0"
