"""Simulator: demands, buttons and the driver's hands to what the kit's axes do and say.

Each axis (steering, drive, brake) runs the same state machine: off without supply, standby while it starts,
ready, active after a rising edge of the enable bit in valid demands, overridden by the driver, faulted. A
demand is valid if checksum, counter and range are right. 120 ms without a valid one, and the axis lets go;
the kit then brakes to a stop. Watchdog and override are looked at once a step, as by the control task of a
node that runs every 10 ms: an axis lets go up to a step later. How kits do this is common practice, the
figures are our own.
"""

from __future__ import annotations

import math
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.cart.chronicle import Chronicle, Happened, Subject
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.simulator.cart.payloads import Layout

MS = 1_000_000
WATCHDOG_NS = 120 * MS
SELF_TEST_NS = 150 * MS  # off after power-on
HOMING_NS = 900 * MS  # standby
OVERRIDE_NS = 100 * MS  # longer than this past the threshold
LARGEST_COUNTER_STEP = 3
# Names of a module are found ten times as fast as members of an enumeration.
OFF, STANDBY, READY = AxisState.OFF, AxisState.STANDBY, AxisState.READY
ACTIVE, OVERRIDDEN, FAULTED = AxisState.ACTIVE, AxisState.OVERRIDDEN, AxisState.FAULTED


class Reason(IntEnum):
    """Why an axis is in its state, as the kit's description labels it."""

    NONE = 0
    STARTING = 1
    NO_EDGE = 2
    NOT_ALLOWED = 3
    DEMAND_LOST = 4
    COUNTER_WRONG = 5
    CHECKSUM_WRONG = 6
    DEMAND_RANGE = 7
    DRIVER_OVERRIDE = 8
    STOP_LOOP_OPEN = 9
    SUPPLY_LOW = 10
    INTERNAL_FAULT = 11
    OTHER_AXIS = 12

    @property
    def words(self) -> str:
        """As the ground truth names it."""
        return self.name.lower().replace("_", " ")


NONE, DEMAND_LOST = Reason.NONE, Reason.DEMAND_LOST


class AxisRule(NamedTuple):
    """What is particular to one axis.

    Attributes:
        name: As the kit's events name it.
        number: Its number in events.
        signal: The demanded value in the demand's message.
        low: Smallest valid demand.
        high: Largest valid demand.
        gear: The demanded gear in that message, if it asks for one.
        enable: The enable bit in it.
        gears: What each code of that gear means, None: the codes are those of `Gear`.
        watchdog_ns: Without a valid demand for longer than this, the axis lets go.
        self_test_ns: From its supply to standby.
        homing_ns: In standby.
        jump: While it is active, a demand that is further than this from the last valid one is refused.
    """

    name: str
    number: int
    signal: str
    low: float
    high: float
    gear: str = "Gear"
    enable: str = "Enable"
    gears: Mapping[int, float] | None = None
    watchdog_ns: int = WATCHDOG_NS
    self_test_ns: int = SELF_TEST_NS
    homing_ns: int = HOMING_NS
    jump: float = math.inf


STEERING = AxisRule("Steering", 1, "Angle", -540.0, 540.0, jump=400.0)
DRIVE = AxisRule("Drive", 2, "Throttle", 0.0, 100.0)
BRAKE = AxisRule("Brake", 3, "Effort", 0.0, 100.0)


class Event(NamedTuple):
    """An axis changed its state for a reason."""

    t_ns: int
    axis: int
    reason: Reason


class Axis:
    """The state machine of one axis.

    Attributes:
        rule: What is particular to it.
        name: `steering`, `drive` or `brake`.
        state: Its state.
        reason: Why, or why the last demand was refused.
        demand: The newest valid demand, in the message's unit.
        gear: The gear of the newest valid demand, of the drive axis.
        fault: A fault of its own, which stays until it is reset.
        allowed: Whether the preconditions of an enable hold.
        restarts: How often it got its supply.
        events: Changes that are not sent yet.
        deaf: No demand reaches it, whatever is on the bus.
        watchdog_ns: Without a valid demand for longer than this, it lets go.
        left: Place in the chronicle of why it is not active any more.
    """

    def __init__(
        self, rule: AxisRule, layout: Layout, chronicle: Chronicle | None = None, name: str = ""
    ) -> None:
        self.rule, self.name = rule, name
        self.deaf, self.watchdog_ns = False, rule.watchdog_ns
        self.left: int | None = None
        self._chronicle, self._message = chronicle or Chronicle(), layout.message.name
        self._asker = layout.message.sender or ""
        self.state, self.reason = OFF, Reason.STARTING
        self.demand, self.gear = 0.0, 0.0
        self.fault, self.allowed = False, True
        self.events: list[Event] = []
        self._layout = layout
        gear = [signal.name for signal in layout.message.signals if signal.name == rule.gear]
        self._asked = (layout.guard.counted_in, rule.signal, rule.enable, *gear)
        self._powered_ns: int | None = None
        self._valid_ns = 0
        self._counter: int | None = None
        self._enabled = False
        self.restarts = 0

    @property
    def active(self) -> bool:
        """Whether it moves its actuator."""
        return self.state is ACTIVE

    @property
    def lost(self) -> bool:
        """Whether it let go because demands stayed away."""
        return self.state is READY and self.reason is DEMAND_LOST

    def power(self, on: bool, t_ns: int, after: int | None = None) -> None:
        """Switch its supply; `after` is the place in the chronicle of what did."""
        if self.active:
            self._leave(t_ns, "no supply", after)
        self._powered_ns = t_ns if on else None
        self.restarts += on
        self._counter, self._enabled = None, False
        self.state, self.reason = OFF, Reason.STARTING

    def receive(self, payload: bytes, t_ns: int) -> None:
        """Take a demand from the bus."""
        if self._powered_ns is None or self.deaf:
            return
        layout = self._layout
        if len(payload) != layout.message.length or not layout.checks(payload):
            self._refuse(Reason.CHECKSUM_WRONG)
            return
        counter, asked, enable, *gear = layout.read_each(payload, self._asked)
        refused = self._refusal(int(counter), asked)
        if refused is not None:
            self._refuse(refused)
            return
        if gear:
            gears = self.rule.gears
            self.gear = gear[0] if gears is None else gears.get(round(gear[0]), self.gear)
        self.obey(asked, enable > 0.5, t_ns)

    def obey(self, demand: float, enable: bool, t_ns: int) -> None:
        """Take a valid demand."""
        if self._powered_ns is None or self.deaf:
            return
        self._valid_ns, self.demand = t_ns, demand
        edge = enable and not self._enabled
        self._enabled = enable
        if edge and self.state is READY:
            self._change(ACTIVE, Reason.NONE, t_ns) if self.allowed else self._refuse(Reason.NOT_ALLOWED)
        elif not enable and self.state in (ACTIVE, OVERRIDDEN):
            after = self._chronicle.about(t_ns, enable_of(self._message), Subject.HAND_BACK)
            self._change(READY, Reason.NONE, t_ns, after)
        elif not enable and self.state is READY:
            self.reason = NONE
        elif enable and self.state is READY and self.reason is NONE:
            self.reason = Reason.NO_EDGE

    def _refusal(self, counter: int, asked: float) -> Reason | None:
        """Return why a demand whose checksum is right is not valid, None if it is."""
        last, self._counter = self._counter, counter
        values = self._layout.guard.counter.values
        if last is not None and not 1 <= (counter - last) % values <= LARGEST_COUNTER_STEP:
            return Reason.COUNTER_WRONG
        if not self.rule.low <= asked <= self.rule.high:
            return Reason.DEMAND_RANGE
        if self.active and abs(asked - self.demand) > self.rule.jump:
            return Reason.DEMAND_RANGE
        return None

    def _refuse(self, reason: Reason) -> None:
        if self.state is READY and self.reason is not Reason.DEMAND_LOST:
            self.reason = reason

    def step(self, t_ns: int) -> None:
        """Let time pass: starting, faults, the watchdog."""
        if self._powered_ns is None:
            return
        state, about = self.state, self._chronicle.about
        if state is ACTIVE:
            if self.fault:
                self._change(FAULTED, Reason.INTERNAL_FAULT, t_ns, about(t_ns, self.name))
            elif t_ns - self._valid_ns > self.watchdog_ns:
                after = about(t_ns, self._message, self._asker, Subject.BUS)
                self._change(READY, Reason.DEMAND_LOST, t_ns, after)
        elif self.fault and state is not FAULTED and state is not OFF:
            self.left = about(t_ns, self.name)
            self._change(FAULTED, Reason.INTERNAL_FAULT, t_ns)
        elif state is OFF and t_ns - self._powered_ns >= self.rule.self_test_ns:
            self._change(STANDBY, Reason.STARTING, t_ns)
        elif state is STANDBY and t_ns - self._powered_ns >= self.rule.self_test_ns + self.rule.homing_ns:
            self._change(READY, Reason.NONE, t_ns)

    def override(self, t_ns: int, after: int | None = None) -> None:
        """The driver takes over."""
        if self.state is ACTIVE:
            self._change(OVERRIDDEN, Reason.DRIVER_OVERRIDE, t_ns, after)

    def let_go(self, t_ns: int, after: int | None = None) -> None:
        """Another axis is not active any more."""
        if self.state is ACTIVE:
            self._change(READY, Reason.OTHER_AXIS, t_ns, after)

    def reset(self, t_ns: int) -> None:
        """Clear a latched fault: start again."""
        if self.state is FAULTED:
            self.fault = False
            self._powered_ns = t_ns - self.rule.self_test_ns
            self._change(STANDBY, Reason.STARTING, t_ns)

    def _leave(self, t_ns: int, reason: str, after: int | None) -> None:
        about = (Subject.MOTION,) if self.name == "drive" else ()
        self.left = self._chronicle.note(
            t_ns, Happened.AXIS_LEFT_ACTIVE, self.name, after=after, reason=reason, about=about
        )

    def _change(self, state: AxisState, reason: Reason, t_ns: int, after: int | None = None) -> None:
        if self.active:
            self._leave(t_ns, reason.words, after)
        if reason not in {Reason.NONE, Reason.STARTING}:
            self.events.append(Event(t_ns, self.rule.number, reason))
        self.state, self.reason = state, reason


def enable_of(message: str) -> str:
    """Return the subject that the enable bit of a demand is in the chronicle."""
    return f"{message}.Enable"


class Override:
    """Notices that something stays past a threshold for longer than a while."""

    def __init__(self, threshold: float) -> None:
        self._threshold = threshold
        self._since_ns: int | None = None

    def step(self, value: float, t_ns: int) -> bool:
        """Tell whether `value` has stayed past the threshold, on either side, for long enough."""
        if abs(value) <= self._threshold:
            self._since_ns = None
            return False
        if self._since_ns is None:
            self._since_ns = t_ns
        return t_ns - self._since_ns > OVERRIDE_NS


RELAY_NS = 20 * MS  # from an open loop to a dead supply
LINK_NS = 500 * MS  # without the radio, until the receiver opens the loop


class StopChain:
    """The e-stop chain: two buttons in one loop, and the relay that feeds the kit.

    The receiver of the radio button opens the loop when its button is pressed or its link is lost. An open
    loop drops the relay, which stays open until the loop is closed and someone resets it.

    Attributes:
        pressed: The operator's button on the vehicle.
        radio_pressed: The radio button.
        link: The radio link is there.
        relay_stuck_open: The relay's supply fails although the loop is closed.
        link_lost: The receiver has noticed that the link is gone.
        loop_wire: The wire of the loop, with its connectors, is whole.
        loop_closed: Nothing asks for the stop.
        supply: The kit has its supply.
        switched: Place in the chronicle of the relay's last change.
    """

    def __init__(self, chronicle: Chronicle | None = None) -> None:
        self.loop_wire = True
        self.switched: int | None = None
        self._chronicle = chronicle or Chronicle()
        self._opened: int | None = None
        self.pressed = self.radio_pressed = False
        self.link = True
        self.relay_stuck_open = False
        self.link_lost = False
        self.loop_closed = True
        self.supply = False
        self._latched = False
        self._link_ns = self._open_ns = 0
        self._main = False

    def switch(self, on: bool) -> None:
        """Turn the main switch; turning it on arms the relay."""
        self._main, self._latched = on, False

    def reset(self) -> None:
        """Close the relay again, if the loop is closed."""
        if self.loop_closed:
            self._latched = False

    def step(self, t_ns: int) -> None:
        """Let time pass."""
        if self.link:
            self._link_ns = t_ns
        self.link_lost = t_ns - self._link_ns > LINK_NS
        closed = self.loop_wire and not (self.pressed or self.radio_pressed or self.link_lost)
        if closed is not self.loop_closed:
            self.loop_closed = closed
            self._note_loop(t_ns)
        if closed:
            self._open_ns = t_ns
        elif t_ns - self._open_ns >= RELAY_NS:
            self._latched = True
        supply = self._main and not self._latched and not self.relay_stuck_open
        if supply is not self.supply:
            self.supply = supply
            self._note_relay(t_ns)

    def _note_loop(self, t_ns: int) -> None:
        opened = (
            (self.pressed, Subject.BUTTON),
            (self.radio_pressed, Subject.RADIO_BUTTON),
            (self.link_lost, Subject.LINK),
            (not self.loop_wire, Subject.LOOP),
        )
        by = [subject for is_open, subject in opened if is_open]
        after = self._chronicle.about(t_ns, *by) if by else self._opened
        what = Happened.LOOP_OPENED if by else Happened.LOOP_CLOSED
        self._opened = self._chronicle.note(t_ns, what, "kit", after=after, reason=by[0] if by else None)

    def _note_relay(self, t_ns: int) -> None:
        if not self._main:
            after = self._chronicle.about(t_ns, Subject.SWITCH)
            self.switched = self._chronicle.note(t_ns, Happened.RELAY_OPENED, "kit", after=after)
        elif self.supply:
            self.switched = self._chronicle.note(t_ns, Happened.RELAY_CLOSED, "kit", after=self.switched)
        else:
            after = self._opened if self._latched else self._chronicle.about(t_ns, Subject.RELAY)
            self.switched = self._chronicle.note(t_ns, Happened.RELAY_OPENED, "kit", after=after)
