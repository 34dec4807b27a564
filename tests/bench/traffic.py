"""Benchmark: the traffic of the vehicle as a SocketCAN text log, and what describes it.

python -m tests.bench.traffic --frames 2000000 --folder DIR    # writes, and prints as JSON what and where

The same bytes come out every time. A block of 64 s is made once, with jitter, one frame at a time on each
bus and values that join at its ends, and repeated with later stamps until there are enough frames. With
``--faults`` the first block and one in the middle hold a few known faults. With ``--protected`` every message
has a counter and a checksum.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tests.bench.vehicle import CHECK, DRIVE, MESSAGES, PROTECTED, PROTECTED_BYTES, Message, Signal, describe

if TYPE_CHECKING:
    from numpy.typing import NDArray

START_S = 1_700_000_000
BLOCK_S = 64  # a multiple of every cycle time; 16 values of a counter go into the frames of each message
QUIET_US = 3_000  # at the end of a block, so that no frame is late into the next
JITTER_US = 400
FRAME_US = 240  # a frame of 8 bytes at 500 kbit/s: 111 bits and some stuff bits
FEWEST_FRAMES = 20_000  # those up to the last fault of a block
SLOWEST, FASTEST = 1, 16  # waves of a signal in a block

# Faults, in s from the start of a block that has them; each far from the next of its signal or message.
SILENCES = (("BrakeFeedback", 4.0, 4.4), ("WheelSpeeds", 5.0, 5.25))
WRONG_VALUES = (("SteerFeedback", "Angle", 2.0, 5, 6000), ("DriveFeedback", "Speed", 3.0, 3, -2000))


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames of a block, in any order: microseconds from its start, index of the message, payload."""

    t_us: NDArray[np.int64]
    message: NDArray[np.int64]
    payload: NDArray[np.uint8]

    def at_all(self) -> Frames:
        """The frames as they are."""
        return self

    def at(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Frames:
        """The frames at `rows`."""
        return Frames(self.t_us[rows], self.message[rows], self.payload[rows])


def make_block(messages: tuple[Message, ...] = MESSAGES) -> Frames:
    """The frames of a block without a fault, as they arrive."""
    parts = [_frames_of(index, message) for index, message in enumerate(messages)]
    frames = Frames(
        np.concatenate([part.t_us for part in parts]),
        np.concatenate([part.message for part in parts]),
        np.concatenate([part.payload for part in parts]),
    )
    frames = frames.at(np.argsort(frames.t_us, kind="stable"))
    on_drive = np.array([message.channel == DRIVE for message in messages])[frames.message]
    for on_bus in (on_drive, ~on_drive):
        # A frame waits until those before it on its bus are through.
        waited = np.arange(np.count_nonzero(on_bus)) * FRAME_US
        frames.t_us[on_bus] = np.maximum.accumulate(frames.t_us[on_bus] - waited) + waited
    return frames.at(np.argsort(frames.t_us, kind="stable"))


def _frames_of(index: int, message: Message) -> Frames:
    """All frames of one message."""
    random = np.random.default_rng(message.can_id)
    count = BLOCK_S * 1000 // message.period_ms
    phase_us = random.integers(0, 1000 * message.period_ms - QUIET_US)
    t_us = phase_us + 1000 * message.period_ms * np.arange(count) + random.integers(0, JITTER_US, count)
    payload = np.zeros((count, 8), np.uint8)
    for signal in message.signals:
        put(payload, signal, _raw_values(signal, t_us / 1e6, random))
    return Frames(t_us, np.full(count, index), payload)


def _raw_values(signal: Signal, t_s: NDArray[np.float64], random: np.random.Generator) -> NDArray[np.int64]:
    """Raw values of a signal: a counter, a state that is held for seconds, or noise on two slow waves."""
    if signal.name in {"Counter", "Rolling"}:
        return np.arange(len(t_s), dtype=np.int64) % (signal.high + 1)
    if signal.bits <= 3:
        held_s = BLOCK_S / random.integers(8, 33)
        steps = (t_s / held_s).astype(np.int64)
        return signal.low + steps % (signal.high - signal.low + 1)
    waves, turns = random.integers(SLOWEST, FASTEST, 2) * 2 * np.pi / BLOCK_S, random.random(2) * 2 * np.pi
    shape = 0.7 * np.sin(waves[0] * t_s + turns[0]) + 0.2 * np.sin(waves[1] * t_s + turns[1])
    middle, half = (signal.low + signal.high) / 2, (signal.high - signal.low) / 2
    return np.rint(middle + half * shape).astype(np.int64) + random.integers(-1, 2, len(t_s))


def put(payload: NDArray[np.uint8], signal: Signal, raw: NDArray[np.int64]) -> None:
    """Write raw values into uint8[n, 8], over what stands there."""
    start = signal.start_bit
    order = ">u8" if signal.big_endian else "<u8"
    shift = 56 - start // 8 * 8 + start % 8 + 1 - signal.bits if signal.big_endian else start
    ones = (1 << signal.bits) - 1
    words = payload.view(order)[:, 0]
    words &= np.uint64(~(ones << shift) & 0xFFFF_FFFF_FFFF_FFFF)
    words |= (raw.astype(np.int64) & ones).astype(np.uint64) << np.uint64(shift)


def put_faults(frames: Frames) -> Frames:
    """The frames with the known faults."""
    index = {message.name: number for number, message in enumerate(MESSAGES)}
    payload = frames.payload.copy()
    for name, signal_name, at_s, count, raw in WRONG_VALUES:
        message = MESSAGES[index[name]]
        signal = next(signal for signal in message.signals if signal.name == signal_name)
        rows = np.flatnonzero((frames.message == index[name]) & (frames.t_us >= at_s * 1e6))[:count]
        wrong = payload[rows]
        put(wrong, signal, np.full(count, raw))
        payload[rows] = wrong
    kept = np.ones(len(payload), np.bool_)
    for name, from_s, to_s in SILENCES:
        inside = (frames.t_us >= from_s * 1e6) & (frames.t_us < to_s * 1e6)
        kept &= (frames.message != index[name]) | ~inside
    return Frames(frames.t_us, frames.message, payload).at(kept)


def put_checksums(frames: Frames) -> Frames:
    """The frames with the CRC-8 of SAE J1850 (polynomial 0x1D, start and end 0xFF) of the bytes before it."""
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = table << 1 ^ 0x11D * (table >> 7)
    payload = frames.payload.copy()
    check = np.full(len(payload), 0xFF, np.uint8)
    for column in range(PROTECTED_BYTES + 1):
        check = table.astype(np.uint8)[check ^ payload[:, column]]
    payload[:, CHECK.start_bit // 8] = check ^ 0xFF
    return Frames(frames.t_us, frames.message, payload)


class Text:
    """The lines of a block: ``(1700000000.001245) can0 101#0000ACAF00000000``."""

    def __init__(self, frames: Frames, messages: tuple[Message, ...]) -> None:
        count = len(frames.t_us)
        seconds, micros = np.divmod(frames.t_us, 1_000_000)
        heads = [f" {message.channel} {message.can_id:03X}#" for message in messages]
        head = _characters(heads)[frames.message]
        self._seconds = seconds
        self._lines = np.empty((count, 46), np.uint8)
        self._lines[:, 0], self._lines[:, 11], self._lines[:, 18] = b"(.)"
        self._lines[:, 12:18] = _digits(micros, 6)
        self._lines[:, 19:29] = head
        self._lines[:, 29:45] = _characters([frames.payload.tobytes().hex().upper()]).reshape(count, 16)
        length = np.array([message.length for message in messages])[frames.message]
        self._kept = np.arange(46) < 29 + 2 * length[:, None]
        self._kept[:, 45] = True
        self._lines[:, 45] = ord("\n")

    def __len__(self) -> int:
        return len(self._lines)

    def after(self, start_s: int, count: int) -> bytes:
        """The first `count` lines, for a block that starts at `start_s`."""
        self._lines[:, 1:11] = _digits(start_s + self._seconds, 10)
        return self._lines[:count][self._kept[:count]].tobytes()


def _characters(texts: list[str]) -> NDArray[np.uint8]:
    return np.frombuffer("".join(texts).encode("ascii"), np.uint8).reshape(len(texts), -1)


def _digits(numbers: NDArray[np.int64], digits: int) -> NDArray[np.uint8]:
    """Decimal digits uint8[n, digits] of numbers."""
    powers = 10 ** np.arange(digits - 1, -1, -1)
    return (numbers[:, None] // powers % 10 + ord("0")).astype(np.uint8)


def write_log(path: Path, frames: int, *, faults: bool, protected: bool = False) -> dict[str, int]:
    """Write a capture.

    Args:
        path: Where to.
        frames: How many frames.
        faults: Put the known faults in.
        protected: Give every message a counter and a checksum.

    Returns:
        How many values in it are out of range, and how many silences it has.
    """
    if frames < FEWEST_FRAMES:
        raise SystemExit(f"{frames} frames are too few for the known faults; take {FEWEST_FRAMES:,} or more.")
    messages = PROTECTED if protected else MESSAGES
    block = make_block(messages)
    with_checksums = put_checksums if protected else Frames.at_all
    clean, faulty = Text(with_checksums(block), messages), Text(with_checksums(put_faults(block)), messages)
    whole = frames // len(clean)
    with_faults = {0, whole // 2} if faults else set()
    left, number = frames, 0
    with path.open("wb") as file:
        while left:
            text = faulty if number in with_faults else clean
            count = min(left, len(text))
            file.write(text.after(START_S + number * BLOCK_S, count))
            left, number = left - count, number + 1
    wrong = sum(count for _, _, _, count, _ in WRONG_VALUES)
    return {"out_of_range": wrong * len(with_faults), "silences": len(SILENCES) * len(with_faults)}


def main() -> None:
    """Write the traffic and its cases into a folder, and print what the benchmark needs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, default=2_000_000)
    parser.add_argument("--folder", type=Path, required=True, help="an empty folder")
    parser.add_argument("--faults", action="store_true", help="put a few known faults in")
    parser.add_argument("--protected", action="store_true", help="a counter and a checksum in every message")
    options = parser.parse_args()
    capture = options.folder / "traffic.log"
    truth = write_log(capture, options.frames, faults=options.faults, protected=options.protected)
    cases = {}
    for case in ("checked",) if options.protected else ("sparse", "dense"):
        spec, descriptions = describe(case, options.folder)
        cases[case] = {"spec": str(spec), "descriptions": [str(path) for path in descriptions]}
    print(json.dumps({"capture": str(capture), "frames": options.frames, "truth": truth, "cases": cases}))


if __name__ == "__main__":
    main()
