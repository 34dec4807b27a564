"""Simulator: a recorder whose own plug is loose: for moments it gets nothing of its bus, whoever sends.

It only listens, so that the bus takes no harm. A frame of which it gets a part is an error to it: the line
looks recessive where the plug is open, which breaks the rule of stuff bits (ISO 11898-1, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.simulator.buses.bursts import Bursts
from canmap.simulator.buses.bus_nodes import NEVER
from canmap.simulator.buses.network import ErrorKind, Outcome
from canmap.simulator.buses.recorder import LATEST_MISREAD_BIT, Recording
from canmap.simulator.noise import even_ns

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.recorder import Recorder
    from canmap.simulator.buses.traffic import Heard


class LoosePlug(NamedTuple):
    """The recorder's plug on one bus makes bad contact.

    Attributes:
        bus: Name of the bus.
        start_ns: From here on.
        stop_ns: Up to here.
        every_ns: It opens once in each stretch of this length.
    """

    bus: str
    start_ns: int
    stop_ns: int
    every_ns: int

    def lets_through(self, sent: Heard, seed: int) -> Heard:
        """Return what the recorder gets of `sent`: whole frames, and as errors those that are cut."""
        if not len(sent):
            return sent
        first_ns, end_ns = sent.start_ns, sent.frames.t_ns
        opens_ns, closes_ns = self._openings(seed, int(first_ns.min()), int(end_ns.max()))
        which = np.searchsorted(closes_ns, first_ns, side="right")  # the first that closes after its begin
        touched = opens_ns[which] < end_ns
        missed = touched & (opens_ns[which] <= first_ns) & (closes_ns[which] >= end_ns)
        cut = touched & ~missed & (sent.outcome == Outcome.SENT)
        error, outcome = sent.error.copy(), sent.outcome.copy()
        outcome[cut] = Outcome.DESTROYED
        error[cut, 0] = ErrorKind.STUFF
        error[cut, 1] = 1 + even_ns(seed, "cut frame", first_ns[cut], LATEST_MISREAD_BIT - 1)
        return replace(sent, outcome=outcome, error=error).take(~missed)

    def _openings(self, seed: int, from_ns: int, to_ns: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return when the plug opens and closes in a span, and NEVER at last; int64[n + 1] each."""
        bursts = Bursts(seed, "recorder burst", self.start_ns, self.every_ns)
        first = max(0, (from_ns - self.start_ns) // self.every_ns)
        last = (min(to_ns, self.stop_ns - 1) - self.start_ns) // self.every_ns
        openings = [bursts.opening(stretch) for stretch in range(first, last + 1)]
        held = [(opens, min(closes, self.stop_ns)) for opens, closes in openings if opens < self.stop_ns]
        opens_ns, closes_ns = np.array([*held, (NEVER, NEVER)], np.int64).T
        return opens_ns, closes_ns


class PluggedRecording(Recording):
    """A recorder at work, behind a plug that is loose, or one that is not.

    Args:
        recorder: The recorder.
        seed: Of its losses, its jitter and its plug.
        plugs: What is wrong with its plug, and when.
    """

    def __init__(self, recorder: Recorder, seed: int = 0, plugs: Iterable[LoosePlug] = ()) -> None:
        super().__init__(recorder, seed)
        self._plugs = tuple(plugs)

    def take(self, sent: Heard) -> FrameChunk:
        """Return what is recorded of `sent`, the transmissions that follow those of the last call."""
        for plug in self._plugs:
            sent = plug.lets_through(sent, self._seed)
        return super().take(sent)
