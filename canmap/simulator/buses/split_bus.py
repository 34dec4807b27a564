"""Simulator: a bus whose line can be interrupted, so that some nodes lose touch with the rest.

What is recorded is what is sent on this side, where the recorder is. The nodes beyond the break, if they
still reach each other, have a bus of their own: a lone one finds no acknowledgement there (ISO 11898-1, from
memory). Reflections at the open end, which lost its terminator, are left out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.simulator.buses.arbitration import BusRun
from canmap.simulator.buses.bus_nodes import NEVER
from canmap.simulator.buses.hearing import Hearing
from canmap.simulator.buses.held_bus import HeldBus
from canmap.simulator.buses.network import Outcome, Release, SupplyLoss

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.buses.network import BusConfig, Disturbance, StateChange, Transmission


@dataclass(frozen=True, slots=True)
class Split:
    """The line is interrupted.

    Attributes:
        start_ns: From here on.
        stop_ns: Up to here.
        nodes: Those beyond the break, None: all of them, each for itself.
        linked: They still reach each other; else none of them sends or receives anything.
    """

    start_ns: int
    stop_ns: int
    nodes: frozenset[int] | None
    linked: bool = True

    def beyond(self, node: int, t_ns: int) -> bool:
        """Return whether `node` is out of touch at a time."""
        return (self.nodes is None or node in self.nodes) and self.start_ns <= t_ns < self.stop_ns


class SplitBus:
    """One bus, step by step, as `BusRun`; with breaks.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.
        splits: The breaks.
        seed: Of everything random.
        recorder: The node beside which there is another recorder, which acknowledges what it gets; or None.
    """

    def __init__(
        self,
        config: BusConfig,
        disturbances: Iterable[Disturbance] = (),
        splits: Iterable[Split] = (),
        seed: int = 0,
        recorder: int | None = None,
    ) -> None:
        disturbances, self._splits = tuple(disturbances), tuple(splits)
        self._bus = HeldBus(config, disturbances, seed)
        self._hearing = Hearing(self._bus, disturbances)
        self._apart = {
            split: _apart(config, split, seed, acknowledged=recorder in (split.nodes or ()))
            for split in self._splits
            if split.linked
        }
        self._hearing_apart = {split: Hearing(bus) for split, bus in self._apart.items()}
        self._until_ns = 0

    @property
    def outages(self) -> list[StateChange]:
        """The changes of state on this side so far by which a node falls silent or comes back, in order."""
        return self._bus.outages

    def submit(self, releases: Iterable[Release]) -> None:
        """Add releases, none earlier than the last `advance`."""
        if not self._splits:
            self._bus.submit(releases)
            return
        here: list[Release] = []
        beyond: dict[Split, list[Release]] = {}
        for release in releases:
            split = self._split(release.node, release.t_ns)
            (here if split is None else beyond.setdefault(split, [])).append(release)
        self._bus.submit(here)
        for split, some in beyond.items():
            if split.linked:
                self._apart[split].submit(some)

    def advance(self, until_ns: int) -> list[Transmission]:
        """Return what ended on this side before `until_ns` and was not returned yet, ordered by time."""
        for split, bus in self._apart.items():
            if self._until_ns < split.stop_ns <= until_ns:
                left = [sent for sent in bus.finish() if sent.outcome is Outcome.UNSENT]
                self._bus.submit([Release(split.stop_ns, sent.node, sent.frame) for sent in left])
        self._until_ns = until_ns
        return self._bus.advance(until_ns)

    def heard_beyond(self, until_ns: int) -> list[Transmission]:
        """Return what was sent beyond the breaks before `until_ns`; to be asked before `advance`."""
        if not self._apart:
            return []
        return [
            sent
            for split, bus in self._apart.items()
            if split.start_ns < until_ns and self._until_ns < split.stop_ns
            for sent in bus.advance(min(until_ns, split.stop_ns))
        ]

    def reaches(self, node: int, sent: Transmission) -> bool:
        """Return whether the line leads from where something was sent to `node`."""
        return self._split(sent.node, sent.t_ns) is self._split(node, sent.t_ns)

    def hears(self, node: int, sent: Transmission) -> bool:
        """Return whether `node` receives what was sent."""
        if not self._splits:
            return self._hearing.hears(node, sent.t_ns)
        there = self._split(sent.node, sent.t_ns)
        if there is not self._split(node, sent.t_ns):
            return False
        hearing = self._hearing if there is None else self._hearing_apart.get(there)
        return hearing is not None and hearing.hears(node, sent.t_ns)  # on a shorted bus nobody hears

    def _split(self, node: int, t_ns: int) -> Split | None:
        return next((split for split in self._splits if split.beyond(node, t_ns)), None)


def _apart(config: BusConfig, split: Split, seed: int, *, acknowledged: bool) -> BusRun:
    """Return the bus beyond a break."""
    there = split.nodes or ()
    missing = [SupplyLoss(0, NEVER, node) for node in range(len(config.nodes)) if node not in there]
    there_alone = replace(config, name=f"{config.name}, apart", acknowledged=acknowledged)
    return BusRun(there_alone, missing, seed)
