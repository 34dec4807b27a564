"""Simulator: how many bits a frame takes on the wire, exactly, for one frame or for columns of them.

Stuffing and check sum walk byte by byte through tables; the states are the level and length of the run that
the wire is in. `wire.py` does the same bit by bit. Sources: Linux include/linux/can/length.h for the fields;
R. Davis and others, Real-Time Systems 35 (2007) 239, equations (1) to (3), for the bounds of classic frames.
"""

from __future__ import annotations

from array import array
from functools import lru_cache, partial
from struct import Struct
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.chunks import (
    FD_LENGTHS,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FrameKind,
)
from canmap.simulator.buses.frame import Frame, checked
from canmap.simulator.buses.wire import (
    CRC15,
    CRC17,
    CRC21,
    LONGEST_CRC17,
    RUN,
    arbitration_length,
    crc,
    header,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

INTERMISSION = 3
SUSPENSION = 8  # bits that an error passive sender lets pass after the intermission
RECESSIVE_END = 8  # bits at the end of a frame (acknowledge delimiter, end of frame) or of an error frame
TAIL = 1 + 2 + 7  # check sum delimiter, acknowledge slot and its delimiter, end of frame
STUFF_COUNT = 4
# Stuffing states: 0 to 9 stand for level * 5 + run - 1; a run of five has its stuff bit still to come.
START_STATE = RUN  # a run of one recessive bit, which the start of frame, dominant, ends
# What `_head` needs besides identifier and length, as one number: the flags on the wire and two more.
_FLAGS = FLAG_FD | FLAG_BIT_RATE_SWITCH | FLAG_ERROR_PASSIVE
_EXTENDED, _REMOTE = 1 << 6, 1 << 7


class WireLength(NamedTuple):
    """Bits of a frame from its start to its end, without the intermission.

    Attributes:
        nominal: At the nominal bit rate.
        data: At the data bit rate: 0 unless an FD frame switches. A stuff bit counts where the bit
            stands after which it comes.
    """

    nominal: int
    data: int = 0


def _after_bit(state: int, bit: int) -> tuple[int, int]:
    """Return the stuffing state after one more bit, and how many stuff bits came before that bit."""
    level, run = state // RUN, state % RUN + 1
    stuffed = run == RUN
    if stuffed:
        level, run = 1 - level, 1
    run = run + 1 if level == bit else 1
    return bit * RUN + run - 1, int(stuffed)


def _joined(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the table that takes the bits of `first` and then those of `second` in one step."""
    after: NDArray[np.uint8] = second[first & _STATE] + (first & ~_STATE)[..., np.newaxis]
    return after.reshape(len(first), -1)


def _crc_table_16() -> NDArray[np.uint16]:
    word = np.arange(1 << 16, dtype=np.uint16)
    check = CRC_8[word >> 8]
    after: NDArray[np.uint16] = (check << 8 & 0x7FFF) ^ CRC_8[check >> 7 ^ word & 0xFF]
    return after


# Step tables, uint8[10 states, 1 << bits]: the state after those bits, and in the upper half of the byte how
# many stuff bits they brought.
_STATE = np.uint8(0x0F)
STEP_1 = np.array(
    [
        [state | stuffed << 4 for bit in (0, 1) for state, stuffed in [_after_bit(s, bit)]]
        for s in range(2 * RUN)
    ],
    np.uint8,
)
STEP_2 = _joined(STEP_1, STEP_1)
STEP_4 = _joined(STEP_2, STEP_2)
STEP_8 = _joined(STEP_4, STEP_4)
STEP_16 = _joined(STEP_8, STEP_8)
# Stuff bits of a classic check sum, uint8[10, 1 << 15]; one may be due after the very last bit.
_STEP_15 = _joined(_joined(STEP_8, STEP_4), _joined(STEP_2, STEP_1))
CHECK_STUFF = (_STEP_15 >> 4) + ((_STEP_15 & _STATE) % RUN == RUN - 1).astype(np.uint8)
CRC_8 = np.array([crc(f"{byte:08b}", *CRC15) for byte in range(256)], np.uint16)
CRC_16 = _crc_table_16()
# The same for one frame at a time, where these are quicker than NumPy, and smaller than lists.
_STEP_8, _STEP_16, _CHECK_STUFF = (table.tobytes() for table in (STEP_8, STEP_16, CHECK_STUFF))
_CRC_8, _CRC_16 = (array("H", table.tobytes()) for table in (CRC_8, CRC_16))
_WORDS = [Struct(f">{length // 2}H{length % 2}x").unpack for length in range(FD_WIDTH + 1)]


# Without the keyword handling of a NamedTuple, which costs as much as half of the table look-ups.
new_length: Callable[[tuple[int, int]], WireLength] = partial(tuple.__new__, WireLength)


class _Header(NamedTuple):
    """What the header of a frame leaves behind for its payload to go on from."""

    state: int
    arbitration_stuff: int  # stuff bits up to the bit rate switch
    stuff: int  # all of them
    crc: int


@lru_cache(maxsize=8192)
def _head(can_id: int, marks: int, length: int) -> _Header:
    """Walk the header of a frame with `length` payload bytes (a remote frame: the length it asks for)."""
    remote = bool(marks & _REMOTE)
    payload, requested = (b"", length) if remote else (bytes(length), 0)
    frame = checked(Frame(can_id, payload, bool(marks & _EXTENDED), remote, requested, marks & _FLAGS))
    bits, split = header(frame), arbitration_length(frame)
    state, stuff, arbitration_stuff = START_STATE, 0, 0
    for place, bit in enumerate(bits):
        if place == split:
            arbitration_stuff = stuff
        state, stuffed = _after_bit(state, int(bit))
        stuff += stuffed
    return _Header(state, arbitration_stuff, stuff, crc(bits, *CRC15))


@lru_cache(maxsize=8192)  # four of five frames of a drive have been sent before
def wire_length(frame: Frame) -> WireLength:
    """Return the exact bits of one frame."""
    can_id, payload, extended, remote, requested, flags = frame
    length = len(payload)
    state, arbitration_stuff, stuff, check = _head(
        can_id, flags | extended << 6 | remote << 7, requested if remote else length
    )
    for word in _WORDS[length](payload):
        step = _STEP_16[state << 16 | word]
        state = step & 0x0F
        stuff += step >> 4
        check = _CRC_16[check << 1 ^ word]
    if length & 1:
        last = payload[-1]
        step = _STEP_8[state << 8 | last]
        state = step & 0x0F
        stuff += step >> 4
        check = (check << 8 & 0x7FFF) ^ _CRC_8[check >> 7 ^ last]
    if flags & FLAG_FD:
        return _fd_length(frame, stuff, arbitration_stuff)
    bits = _UNSTUFFED_CLASSIC[extended][length] + stuff + _CHECK_STUFF[state << 15 | check]
    return new_length((bits, 0))


def _fd_length(frame: Frame, stuff: int, arbitration_stuff: int) -> WireLength:
    bits = unstuffed_bits(len(frame.payload), extended=frame.extended, fd=True) + stuff
    if not frame.flags & FLAG_BIT_RATE_SWITCH:
        return WireLength(bits)
    nominal = _fd_nominal(frame.extended) + arbitration_stuff
    return WireLength(nominal, bits - nominal)


def _fd_nominal(extended: bool) -> int:
    """Return the unstuffed bits of an FD frame that stay at the nominal rate, without the intermission."""
    return (36 if extended else 17) + TAIL - 1


def unstuffed_bits(length: int, *, extended: bool = False, fd: bool = False) -> int:
    """Return the bits of a frame without (dynamic) stuff bits and without the intermission: its least.

    Args:
        length: Payload bytes, 0 to 8, or one of `FD_LENGTHS` for FD; 0 for a remote frame.
        extended: 29-bit identifier.
        fd: FD frame; its fixed stuff bits are counted.
    """
    if not fd:
        return (39 if extended else 19) + 8 * length + CRC15[0] + TAIL
    check = STUFF_COUNT + (CRC17 if length <= LONGEST_CRC17 else CRC21)[0]
    return (41 if extended else 22) + 8 * length + check + -(-check // 4) + TAIL


def worst_case_bits(length: int, *, extended: bool = False, fd: bool = False) -> int:
    """Return the upper bound of `unstuffed_bits` with stuffing, whatever identifier and payload.

    The first stuff bit can come after bit 5 and each further one 4 bits later, as it begins the next run.
    In an FD frame the first fixed bit stands for one due after the last data bit.
    """
    header_bits = (41 if extended else 22) if fd else (39 if extended else 19) + CRC15[0]
    stuffable = header_bits + 8 * length
    return unstuffed_bits(length, extended=extended, fd=fd) + (stuffable - (2 if fd else 1)) // 4


def wire_lengths(frames: FrameChunk) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the exact bits of data and remote frames, as in `WireLength`: two int64[n]."""
    remote = frames.kind == FrameKind.REMOTE
    heads, head_of = _heads(frames, remote)
    state, arbitration_stuff, stuff, check = (heads[head_of, column] for column in range(4))
    payload_length = np.where(remote, 0, frames.length).astype(np.int64)
    steps, shortest = STEP_8.ravel(), payload_length.min(initial=FD_WIDTH)
    for place in range(int(payload_length.max(initial=0))):
        byte = frames.payload[:, place].astype(np.int64)
        step = steps[state << 8 | byte].astype(np.int64)
        after = step & 0x0F, stuff + (step >> 4), (check << 8 & 0x7FFF) ^ CRC_8[check >> 7 ^ byte]
        if place >= shortest:
            more, before = payload_length > place, (state, stuff, check)
            after = tuple(np.where(more, *each) for each in zip(after, before, strict=True))
        state, stuff, check = after
    fd = frames.flags & FLAG_FD != 0
    total = (
        _unstuffed(payload_length, frames.extended, fd) + stuff + np.where(fd, 0, CHECK_STUFF[state, check])
    )
    switched = fd & (frames.flags & FLAG_BIT_RATE_SWITCH != 0)
    nominal = np.where(frames.extended, _fd_nominal(True), _fd_nominal(False)) + arbitration_stuff
    nominal = np.where(switched, nominal, total)
    return nominal, total - nominal


def _heads(frames: FrameChunk, remote: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Return the header of every kind of frame, int64[kinds, 4], and which of them each frame has."""
    marks = (frames.flags & _FLAGS).astype(np.int64) | frames.extended * _EXTENDED | remote * _REMOTE
    key = frames.can_id.astype(np.int64) | marks << 29 | frames.length.astype(np.int64) << 40
    kinds = sorted(set(key.tolist()))  # `unique` loads NumPy's masked arrays first
    rows = [_head(kind & 0x1FFFFFFF, kind >> 29 & 0x7FF, kind >> 40) for kind in kinds]
    return np.array(rows, np.int64).reshape(-1, 4), np.searchsorted(kinds, key)


def _unstuffed(
    length: NDArray[np.int64], extended: NDArray[np.bool_], fd: NDArray[np.bool_]
) -> NDArray[np.int64]:
    return _UNSTUFFED[fd.astype(np.intp), extended.astype(np.intp), length]


_UNSTUFFED = np.array(
    [
        [
            [unstuffed_bits(n, extended=extended, fd=fd) for n in range(FD_LENGTHS[-1] + 1)]
            for extended in (False, True)
        ]
        for fd in (False, True)
    ],
    np.int64,
)
_UNSTUFFED_CLASSIC = _UNSTUFFED[0].tolist()
