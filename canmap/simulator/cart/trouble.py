"""Simulator: what is wrong with the sender of a message, and how frames then wait for each other."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.simulator.cart.messages import Values

    # Changes the values of frames, given the numbers of these and the seed of the run.
    ValueChange = Callable[[Values, NDArray[np.int64], int], None]

BUNCHED_NS = 1_000_000  # from one frame of a bunch to the next


class Bunches(NamedTuple):
    """From `start_ns` to `stop_ns`, frames wait for the end of each stretch of `every_ns`.

    None overtakes another: those after the last bunch wait until it is over.
    """

    start_ns: int
    every_ns: int
    stop_ns: int

    def released(self, times: NDArray[np.int64], period_ns: int) -> NDArray[np.int64]:
        """Return when frames come that are due at `times`, int64[n], not before `start_ns`.

        Args:
            times: When they are due.
            period_ns: Of their message.
        """
        start_ns, every_ns, stop_ns = self
        since_ns = (times - start_ns) % every_ns
        ends_ns = np.minimum(times - since_ns + every_ns, stop_ns)
        bunched: NDArray[np.int64] = ends_ns + since_ns * BUNCHED_NS // period_ns
        over_ns = stop_ns + (every_ns + times - stop_ns) * BUNCHED_NS // period_ns
        return np.where(times < stop_ns, bunched, np.maximum(times, over_ns))


class Late(NamedTuple):
    """Frames come `delay_ns` late; what is held back at `stop_ns` comes then, one after the other.

    None overtakes another, as in a queue (common practice): those after `stop_ns` wait until it is empty. On
    a full bus one may take the place of another that is in the controller still.
    """

    delay_ns: int
    stop_ns: int

    def released(self, times: NDArray[np.int64], before_ns: int) -> NDArray[np.int64]:
        """Return when frames come that are made at `times`, int64[n], in order.

        Args:
            times: When they are made.
            before_ns: When the one before them comes.
        """
        late = np.minimum(times + self.delay_ns, np.maximum(times, self.stop_ns))
        turns = np.arange(len(times)) * BUNCHED_NS
        soonest = np.maximum.accumulate(late - turns)
        return np.maximum(soonest, before_ns + BUNCHED_NS) + turns


@dataclass(slots=True)
class Trouble:
    """What is wrong with the sender of a message; nothing by default.

    Attributes:
        stopped: The task that fills the message does not run.
        lost: Share of the frames that get lost between task and controller.
        late: Frames reach the controller later.
        frozen: The values stay as they were, while counter and checksum go on.
        stuck_counter: The counter stays where it is.
        broken: Is mixed into the checksum.
        enable: The enable bit is this, None: what the computer wants.
        bunches: Frames wait for each other.
        stuck: The last frame is sent again and again.
        twice: Each frame is sent twice.
        changes: What else is done to the values of frames, in turn.
    """

    stopped: bool = False
    lost: float = 0.0
    late: Late | None = None
    frozen: bool = False
    stuck_counter: bool = False
    broken: int = 0
    enable: bool | None = None
    bunches: Bunches | None = None
    stuck: bool = False
    twice: bool = False
    changes: list[ValueChange] = field(default_factory=list)
