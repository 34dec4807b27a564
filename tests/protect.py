"""Counters and checksums for the frames of a stream, as a spec promises them; some wrong on purpose."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.frames.chunks import FrameKind
from canmap.payload.bit_places import BitPlace
from canmap.payload.protection import Protection
from canmap.signals.promised import ring_of

if TYPE_CHECKING:
    import numpy as np

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.model import MessageRule, Spec

STEPS = (*[1] * 14, 0, 0, 2, 5, -3)


def write(payload: np.ndarray, place: BitPlace, value: int) -> None:
    """Write a whole number into one payload."""
    for run in place.runs:
        part = (value >> run.worth & (1 << run.bits) - 1) << run.low
        payload[run.byte] = int(payload[run.byte]) & ~run.mask & 0xFF | part


def signal_of(rule: MessageRule, name: str) -> DescribedSignal:
    """The signal of a message with this name."""
    return next(signal for signal in rule.message.signals if signal.name == name)


def protect(chunk: FrameChunk, spec: Spec, chance: np.random.Generator | None = None) -> FrameChunk:
    """Put counters and checksums into the data frames that are long enough; with `chance` some wrong ones."""
    numbers: dict[str, int] = {}
    rules = {}
    for rule in spec.messages:
        if rule.counter or rule.checksum:
            rules[spec.buses[rule.bus].channel, rule.message.can_id] = rule, Protection.of(rule)
    for row in range(len(chunk)):
        found = rules.get((chunk.channels[chunk.channel[row]], int(chunk.can_id[row])))
        if found is None or chunk.kind[row] != FrameKind.DATA:
            continue
        rule, protection = found
        payload, length = chunk.payload[row], chunk.length[row : row + 1]
        if chance is not None and chance.random() < 0.04:  # as it is
            continue
        if rule.counter and length[0] >= rule.message.length:
            signal = signal_of(rule, rule.counter.signal.signal)
            ring = ring_of(rule.counter, signal.bits)
            whose = f"{rule.bus} {rule.sender if rule.counter.per == 'sender' else rule.message.name}"
            numbers[whose] = numbers.get(whose, 0) + (1 if chance is None else int(chance.choice(STEPS)))
            (value,) = ring.of_frames(chunk.line[:1] * 0 + numbers[whose])
            write(payload, BitPlace.of_signal(signal), int(value))
        if protection is not None and length[0] >= rule.message.length:
            expected = protection.judge(payload.reshape(1, -1), length, chunk.can_id[row : row + 1]).expected
            wrong = chance is not None and chance.random() < 0.04
            write(payload, protection.place, int(expected[0]) ^ wrong)
    return chunk
