"""2. The checksums of a chunk: what is right and wrong of every frame for which the spec promises one."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.payload.protection import Protection, Verdict
from canmap.signals.slot_group import SlotGroup

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import MessageRule
    from canmap.signals.extract import Samples


class ProtectedFrames(NamedTuple):
    """The frames of a chunk for which the spec promises a checksum, message after message.

    Attributes:
        slots: The messages that came.
        bounds: Where the frames of each begin, and the last end.
        rows: intp[n], which frames of the chunk they are.
        payload: uint8[n, 8 or 64].
        length: uint8[n], payload bytes of each.
        verdict: On the checksum of each.
    """

    slots: tuple[int, ...]
    bounds: list[int]
    rows: NDArray[np.intp]
    payload: NDArray[np.uint8]
    length: NDArray[np.uint8]
    verdict: Verdict

    def part_of(self, slot: int) -> slice:
        """Return where the frames of a message that came stand."""
        place = self.slots.index(slot)
        return slice(self.bounds[place], self.bounds[place + 1])


class Checksums:
    """Judges the checksums that a spec promises; holds only constants, so that any threads may share it.

    Args:
        rules: One for every slot, of which some promise a checksum.

    Attributes:
        protections: How the messages of some slots are protected, by slot.
    """

    def __init__(self, rules: Sequence[MessageRule]) -> None:
        found = {slot: Protection.of(rule) for slot, rule in enumerate(rules)}
        self.protections = {slot: one for slot, one in found.items() if one is not None}
        alike = defaultdict(list)
        for slot, protection in self.protections.items():
            alike[protection.alike].append(slot)
        self._groups = tuple((self.protections[slots[0]], SlotGroup.of(slots)) for slots in alike.values())

    def judged(self, chunk: FrameChunk, samples: Samples) -> ProtectedFrames | None:
        """Return the protected frames of a chunk and the verdict on each; None where none came."""
        parts, starts = [], samples.slot_start.tolist()
        for protection, group in self._groups:
            slots, bounds, rows = group.frames(samples, starts)
            if slots:
                payload, length = chunk.payload.take(rows, axis=0), chunk.length.take(rows)
                verdict = protection.judge(payload, length, chunk.can_id.take(rows))
                parts.append(ProtectedFrames(slots, bounds, rows, payload, length, verdict))
        return _joined(parts) if len(parts) > 1 else next(iter(parts), None)


def _joined(parts: Sequence[ProtectedFrames]) -> ProtectedFrames:
    bounds = [0]
    for one in parts:
        bounds += [bounds[-1] + bound for bound in one.bounds[1:]]
    return ProtectedFrames(
        slots=tuple(slot for one in parts for slot in one.slots),
        bounds=bounds,
        rows=np.concatenate([one.rows for one in parts]),
        payload=np.concatenate([one.payload for one in parts]),
        length=np.concatenate([one.length for one in parts]),
        verdict=Verdict.joined([one.verdict for one in parts]),
    )


def broken_frames(frames: int, protected: ProtectedFrames | None) -> NDArray[np.bool_] | None:
    """Return bool[frames], those whose checksum is not right, or is cut off; None where all are right."""
    if protected is None or protected.verdict.right.all():
        return None
    broken = np.zeros(frames, np.bool_)
    broken[protected.rows] = ~protected.verdict.right
    return broken
