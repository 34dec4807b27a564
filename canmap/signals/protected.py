"""2. The checksums of a chunk: what is right and wrong of every frame for which the spec promises one."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from canmap.payload.protection import Protection
from canmap.signals.slot_group import SlotGroup

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import MessageRule
    from canmap.payload.protection import Verdict
    from canmap.signals.extract import Samples


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
        self._groups = tuple(SlotGroup.of(slots) for slots in alike.values())

    def verdicts(self, chunk: FrameChunk, samples: Samples) -> dict[int, Verdict]:
        """Return the verdict on each protected slot that came, in the order of its frames in `samples`."""
        found: dict[int, Verdict] = {}
        for group in self._groups:
            rows, parts = group.frames(samples)
            if len(rows):
                payload, length = chunk.payload.take(rows, axis=0), chunk.length.take(rows)
                verdict = self.protections[group.slots[0]].judge(payload, length, chunk.can_id.take(rows))
                found |= {slot: verdict.part(part) for slot, part in parts.items()}
        return found


def broken_frames(frames: int, samples: Samples, verdicts: Mapping[int, Verdict]) -> NDArray[np.bool_] | None:
    """Return bool[frames], those whose checksum is not right, or is cut off; None where all are right."""
    broken = None
    for slot, verdict in verdicts.items():
        if not verdict.right.all():
            broken = np.zeros(frames, np.bool_) if broken is None else broken
            start = samples.slot_start[slot]
            broken[samples.rows[start : start + len(verdict.right)]] = ~verdict.right
    return broken
