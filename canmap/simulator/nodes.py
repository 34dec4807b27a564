"""Simulator: nodes and their timers: when which message is handed to a node's controller, and with what in it.

In: the cart's state at the moment of a timer. Out: releases for the bus. Each node has a clock of its own, off by
some millionths; each message a phase and a little jitter. What goes wrong in a sender goes wrong here.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canmap.simulator.frame import Frame
from canmap.simulator.network import Release

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from random import Random

    from canmap.simulator.cart import Cart
    from canmap.simulator.layout import Layout
    from canmap.simulator.messages import Values

MS = 1_000_000
JITTER_NS = 150_000
CLOCK_SPREAD = 30e-6  # of a quartz, common practice
BOOT_ID = 0x7A0  # plus the number of the node; no description speaks of it
WAKE_NS = 12 * MS  # from supply to the boot message
FIRST_NS = 20 * MS  # and to the first timers


@dataclass(slots=True)
class Timing:
    """When a message is sent.

    Attributes:
        period_ns: Of its timer.
        on_change: It is sent only when its values have changed, or after `heartbeat_ns`.
        heartbeat_ns: See `on_change`.
        gap_ns: Shortest time between two frames of an `on_change` message.
        events: It is sent once for each event of the kit.
    """

    period_ns: int
    on_change: bool = False
    heartbeat_ns: int = 0
    gap_ns: int = 0
    events: bool = False


@dataclass(slots=True)
class Trouble:
    """What is wrong with the sender of a message; nothing by default.

    Attributes:
        stopped: The task that fills the message does not run.
        lost: Share of the frames that get lost between task and controller.
        delay_ns: Frames reach the controller that much later.
        frozen: The values stay as they were, while counter and checksum go on; None: they do not.
        stuck_counter: The counter stays at this, None: it counts.
        broken: Is mixed into the checksum.
        enable: The enable bit is this, None: what the computer wants.
    """

    stopped: bool = False
    lost: float = 0.0
    delay_ns: int = 0
    frozen: bool = False
    stuck_counter: int | None = None
    broken: int = 0
    enable: bool | None = None


class Sender:
    """Sends one message.

    Attributes:
        name: Of the message.
        node: Index of its node on the bus.
        layout: How it is packed.
        timing: When it is sent.
        trouble: What is wrong with it.
        count: Frames so far, since its node started.
    """

    def __init__(
        self, layout: Layout, node: int, timing: Timing, tell: Callable[[Cart, Random, int], Values] | None
    ) -> None:
        self.name, self.node, self.layout, self.timing = layout.message.name, node, layout, timing
        self.trouble, self.count = Trouble(), 0
        self.phase_ns = 0
        self._tell = tell
        self._can_id = layout.message.can_id
        self._frozen: Values | None = None
        self._last: Values | None = None
        self._last_ns = 0

    def start(self) -> None:
        """Begin to count anew, as after a restart."""
        self.count, self._last, self._frozen = 0, None, None

    def release(self, t_ns: int, cart: Cart, noise: Random) -> Release | None:
        """Return what the timer makes of the cart's state, None where nothing is sent."""
        trouble, timing = self.trouble, self.timing
        if trouble.stopped:
            return None
        if self._tell is None:
            values = self._event(cart)
            if values is None:
                return None
        else:
            values = self._tell(cart, noise, self.count)
        if timing.on_change and not self._changed(values, t_ns):
            return None
        if trouble.frozen:
            self._frozen = values = self._frozen or values
        else:
            self._frozen = None
        if trouble.enable is not None:
            values["Enable"] = trouble.enable
        count = self.count if trouble.stuck_counter is None else trouble.stuck_counter
        payload = self.layout.pack(values, count, trouble.broken)
        self.count += 1
        if trouble.lost and noise.random() < trouble.lost:
            return None
        return Release(t_ns + trouble.delay_ns, self.node, Frame(self._can_id, payload))

    def _changed(self, values: Values, t_ns: int) -> bool:
        """Tell whether a message that is sent on change is due."""
        waited = t_ns - self._last_ns
        if self._last is not None and waited < self.timing.gap_ns:
            return False
        if values == self._last and waited < self.timing.heartbeat_ns:
            return False
        self._last, self._last_ns = values, t_ns
        return True

    def _event(self, cart: Cart) -> Values | None:
        if not cart.events:
            return None
        event = cart.events.pop(0)
        return {"Code": event.reason, "Axis": event.axis, "Number": self.count + 1}


class Unit:
    """A node with its supply and its messages.

    Attributes:
        name: As the description names it.
        index: On its bus.
        number: In its boot message.
        senders: Its messages.
        on: It has its supply and runs.
        starts: How often it was started.
    """

    def __init__(self, name: str, index: int, number: int, senders: tuple[Sender, ...]) -> None:
        self.name, self.index, self.number, self.senders = name, index, number, senders
        self.on, self.starts = False, 0
        self.clock = 1.0


class Timers:
    """The timers of all nodes of one bus, in the order in which they run out."""

    def __init__(self, units: Mapping[str, Unit], noise: Random) -> None:
        self.units = units
        self._noise = noise
        self._heap: list[tuple[int, int, Unit, Sender, int, int]] = []
        self._number = 0
        self._early: list[Release] = []  # made, but not to be handed over yet
        for unit in units.values():
            unit.clock = 1.0 + noise.uniform(-CLOCK_SPREAD, CLOCK_SPREAD)
            for sender in unit.senders:
                sender.phase_ns = noise.randrange(min(sender.timing.period_ns, 40 * MS))

    def power(self, unit: Unit, on: bool, t_ns: int) -> None:
        """Switch the supply of a node: on, it sends its boot message and starts its timers."""
        if on is unit.on:
            return
        unit.on = on
        unit.starts += 1
        if not on:
            self._early = [release for release in self._early if release.node != unit.index]
            return
        boot = Frame(BOOT_ID + unit.number, b"BOOT" + bytes((unit.number, min(unit.starts // 2 + 1, 255))))
        self._early.append(Release(t_ns + WAKE_NS + self._noise.randrange(MS), unit.index, boot))
        for sender in unit.senders:
            sender.start()
            self._set(t_ns + FIRST_NS + sender.phase_ns, unit, sender)

    def _set(self, nominal_ns: int, unit: Unit, sender: Sender) -> None:
        due = nominal_ns + int(self._noise.random() * JITTER_NS)
        self._number += 1
        heapq.heappush(self._heap, (due, self._number, unit, sender, nominal_ns, unit.starts))

    def run(self, until_ns: int, cart: Cart) -> list[Release]:
        """Return what is handed over before `until_ns`."""
        heap, noise = self._heap, self._noise
        done: list[Release] = []
        while heap and heap[0][0] < until_ns:
            due, _, unit, sender, nominal, starts = heapq.heappop(heap)
            if starts != unit.starts:
                continue
            release = sender.release(due, cart, noise)
            self._set(nominal + round(sender.timing.period_ns * unit.clock), unit, sender)
            if release is None:
                continue
            if release.t_ns < until_ns:
                done.append(release)
            else:
                self._early.append(release)
        if self._early:
            done += [release for release in self._early if release.t_ns < until_ns]
            self._early = [release for release in self._early if release.t_ns >= until_ns]
        return done
