"""Simulator: the relay, the steering motor's current and resistances to which nodes of the kit have supply.

The rail sags by what the current drops over its resistance and over the lead of the steering node, Ohm's law:
``U = U0 - I R``. A node whose voltage is too low lives on its capacitor for a while, which gives constant
power: ``t = C (U0^2 - U1^2) / (2 P)``. Common circuit theory; the values are our own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.cart.chronicle import Happened, Subject
from canmap.simulator.noise import even_one

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.simulator.cart.chronicle import Chronicle

LOWEST_V = 6.5  # at which a node still runs
LEAD_OHM = 0.005  # of the steering node
RESTART_NS = 50_000_000  # how long a node holds itself in reset after its voltage is back


class Buffer(NamedTuple):
    """What a node lives on without supply.

    Attributes:
        capacitance: F.
        power: That it takes, W.
    """

    capacitance: float
    power: float

    def hold_up_ns(self, from_v: float, to_v: float = LOWEST_V) -> int:
        """Return how long it lasts from one voltage to another."""
        return round(self.capacitance * (from_v**2 - to_v**2) / (2.0 * self.power) * 1e9)


USUAL = Buffer(1000e-6, 4.0)
# The bridge of the steering motor has the largest capacitor.
BUFFERS = {
    "SteerNode": Buffer(2200e-6, 5.0),
    "BrakeNode": Buffer(470e-6, 4.0),
}


class KitFeed:
    """The supply of the kit's nodes.

    Args:
        chronicle: Of what happens.
        nodes: Of the kit.
        motor_node: Whose lead carries the current of the steering motor.
        open_v: Of the rail without load, V.
        lowest_v: At which a node still runs, V.
        buffers: What nodes live on, where it is not the usual.

    Attributes:
        up: Whether each node has its supply.
        why: Place in the chronicle of the reason of a node's last change.
        when_ns: Time of that change; where nodes are buffered, before the next step.
        step_ns: From one step to the next.
        seed: Of what happens when between the two.
        buffered: Nodes live on their capacitors when the relay opens too; otherwise they fall with it.
        rail_ohm: Before all nodes and the body: battery, converter, main fuse.
        lead_ohm: Of the steering node's lead.
        current: Of the steering motor, A, either sign.
        rail_drop: What the rail lacks at its loads, V.
    """

    def __init__(
        self,
        chronicle: Chronicle,
        nodes: tuple[str, ...],
        motor_node: str,
        open_v: float,
        lowest_v: float = LOWEST_V,
        buffers: Mapping[str, Buffer] = BUFFERS,
    ) -> None:
        self._lowest_v, self._buffers = lowest_v, buffers
        self.up = dict.fromkeys(nodes, False)
        self.why: dict[str, int | None] = dict.fromkeys(nodes)
        self.when_ns = dict.fromkeys(nodes, 0)
        self._fell: set[str] = set()
        self.open_v, self._motor_node = open_v, motor_node
        self.buffered = False
        self.step_ns, self.seed = 10_000_000, 0
        self.rail_ohm, self.lead_ohm = 0.0, LEAD_OHM
        self.current = self.rail_drop = 0.0
        self._low_ns: dict[str, int] = {}
        self._reset_ns: dict[str, int] = {}  # of nodes that their voltage failed, until when
        self._chronicle = chronicle

    @property
    def motor_drop(self) -> float:
        """What the steering node lacks of the rail's open voltage, V."""
        return (self.rail_ohm + self.lead_ohm) * abs(self.current)

    def hold_up_ns(self, name: str) -> int:
        """Return how long a node lives on its capacitor."""
        return self._buffers.get(name, USUAL).hold_up_ns(self.open_v, self._lowest_v)

    def step(self, t_ns: int, on: bool, switched: int | None) -> bool:
        """Let one step pass; tell whether a node has lost or got its supply.

        Args:
            t_ns: Now.
            on: The relay is closed.
            switched: Place in the chronicle of why it is as it is.
        """
        self.rail_drop = self.rail_ohm * abs(self.current)
        changed = False
        for name, up in self.up.items():
            drop = self.motor_drop if name == self._motor_node else self.rail_drop
            good = on and self.open_v - drop >= self._lowest_v
            if up is good:
                if self._low_ns:
                    self._low_ns.pop(name, None)
                continue
            changed |= self._fall(name, t_ns, on, switched) if up else self._rise(name, t_ns, switched)
        return changed

    def _fall(self, name: str, t_ns: int, on: bool, switched: int | None) -> bool:
        """A node has too little: it falls once its capacitor is empty, if that is before the next step."""
        buffered = on or self.buffered
        if name not in self._low_ns:
            self._low_ns[name] = t_ns + (self._late_ns(t_ns) if buffered else 0)
            self.why[name] = switched
            if on:
                after = self._chronicle.about(t_ns, Subject.SUPPLY)
                self.why[name] = self._chronicle.note(t_ns, Happened.SUPPLY_LOW, name, after=after)
        fall_ns = self._low_ns[name] + (self.hold_up_ns(name) if buffered else 0)
        if buffered and fall_ns >= t_ns + self.step_ns:
            return False
        self.up[name], self.when_ns[name] = False, max(t_ns, fall_ns)
        self._fell.add(name)
        if on:
            self._reset_ns[name] = self.when_ns[name] + RESTART_NS
        return True

    def _rise(self, name: str, t_ns: int, switched: int | None) -> bool:
        """A node has enough again: it starts, once it has held itself in reset."""
        if self._reset_ns.get(name, 0) >= t_ns + self.step_ns:
            return False
        reset_ns = self._reset_ns.pop(name, None)
        if reset_ns is None:
            self.why[name] = switched
            again = self.buffered and name in self._fell
            reset_ns = t_ns + (self._late_ns(t_ns) if again else 0)
        self._low_ns.pop(name, None)
        self.up[name], self.when_ns[name] = True, max(t_ns, reset_ns)
        return True

    def _late_ns(self, t_ns: int) -> int:
        """Return how long after a step happens what it tells, for all nodes alike: one relay feeds them."""
        return int(even_one(self.seed, "relay", t_ns) * self.step_ns)
