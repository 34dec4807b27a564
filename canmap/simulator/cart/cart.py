"""Simulator: the orchard cart as a whole: vehicle, actuators, kit, driver and computer, step by step.

In: what driver, operator and computer want, and demands from the bus. Out: the state that the messages tell.
Signs inside are those of the records (left and forward positive); the messages turn them round where the kit
does.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.simulator.cart.actuators import Actuator, Play, Response
from canmap.simulator.cart.chronicle import Chronicle, Happened, Subject
from canmap.simulator.cart.kit import (
    ACTIVE,
    FAULTED,
    OFF,
    READY,
    Axis,
    Event,
    Override,
    Reason,
    StopChain,
    enable_of,
)
from canmap.simulator.cart.people import Computer, Driver, clipped
from canmap.simulator.cart.steering_motor import SteeringMotor
from canmap.simulator.cart.vehicle import TractionBattery, Vehicle, VehicleParameters
from canmap.vocabulary.record_types import ControlMode, Gear

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.simulator.cart.feed import KitFeed
    from canmap.simulator.cart.machinery import Machinery
    from canmap.simulator.cart.payloads import Layout

STEERING_MOTOR = Response(0.06, 16.0, 0.8, math.radians(420.0), math.radians(-530.0), math.radians(530.0))
DRIVERS_HANDS = Response(0.0, 7.0, 0.9, math.radians(500.0), math.radians(-530.0), math.radians(530.0))
BRAKE_MOTOR = Response(0.08, 14.0, 0.9, 300.0, 0.0, 100.0)
THROTTLE = Response(0.05, 20.0, 0.9, 400.0, 0.0, 100.0)
WHEEL_PLAY = math.radians(2.0)  # of the steering wheel, before the road wheels move
OVERRIDE_TORQUE = 4.0  # N m at the steering wheel
TORQUE_END = 38.0  # N m, where the torque sensor ends
OVERRIDE_PEDAL = 10.0  # % of the brake pedal
STOP_EFFORT = 35.0  # % with which the kit stops when a demand is lost
PARKING_FORCE = 2500.0  # N
QUIET = (Reason.NONE, Reason.OTHER_AXIS, Reason.NO_EDGE)  # of less interest than the other reasons
STANDSTILL = 0.05  # m/s
MISSED_NS = 60_000_000  # without an axis, until the others notice that it is gone: three of its messages
YIELD = 0.02  # rad of the wheel for 1 N m of a hand, while the motor holds against it
NEUTRAL, FORWARD, REVERSE = Gear.NEUTRAL, Gear.FORWARD, Gear.REVERSE
MANUAL, AUTONOMOUS, FAULT = ControlMode.MANUAL, ControlMode.AUTONOMOUS, ControlMode.FAULT
TURNED_BY_HAND = 0.15  # rad/s of the wheel for 1 N m of a hand, once the motor has let go


@dataclass(slots=True)
class Sensors:
    """What is wrong with sensors; nothing by default.

    Attributes:
        kit_supply: Voltage of the kit's supply, V.
        angle_offset: Steering wheel sensor reads too much by this, rad, positive to the left.
        torque_offset: Torque sensor, N m.
        pedal: The throttle pedal's first sensor reads this, whatever the pedal does, %; None: the pedal.
        firmware: That the steering node tells.
    """

    kit_supply: float
    angle_offset: float = 0.0
    torque_offset: float = 0.0
    pedal: float | None = None
    firmware: int = 23


class Cart:
    """The cart.

    Args:
        parameters: Its measures.
        layouts: Layout of each demand, by message name.
        seconds: Length of a step.
        machinery: What moves it.
        feed: What feeds its kit.
        chronicle: Of what happens.
    """

    def __init__(
        self,
        parameters: VehicleParameters,
        layouts: Mapping[str, Layout],
        seconds: float,
        machinery: Machinery,
        feed: KitFeed,
        chronicle: Chronicle,
    ) -> None:
        self.parameters, self.seconds, self.machinery = parameters, seconds, machinery
        self.chronicle, self.feed = chronicle, feed
        self.vehicle, self.battery = Vehicle(parameters), TractionBattery()
        self.driver, self.computer = Driver(), Computer()
        self.chain, self.sensors = StopChain(chronicle), Sensors(kit_supply=machinery.kit_supply)
        self.steering, self.drive, self.brake = self._axes(layouts)
        self.axes = {"steering": self.steering, "drive": self.drive, "brake": self.brake}
        self._each = tuple(self.axes.values())
        motors = machinery.motors
        self.steering_motor = SteeringMotor(motors.steering, seconds)
        self.hands = Actuator(motors.hands, seconds)
        self.brake_motor = Actuator(motors.brake, seconds)
        self.throttle = Actuator(motors.throttle, seconds)
        self.events: list[Event] = []
        self.mode, self.mode_switch = MANUAL, 0
        self.gear, self.parking = NEUTRAL, False
        self.effort = 0.0  # of both the pedal and the kit, %
        self.wheel_angle = self.wheel_rate = self.torque = self.hand = 0.0
        self.rim_inertia = parameters.rim_inertia  # kg m^2, beyond the torque sensor
        self.turning = 0.0  # angular acceleration of the wheel, rad/s^2
        self._stop_after: int | None = None
        self._all_there_ns = 0
        self.feed_changed = False
        self._by_motor = self._loop_was_closed = self._was_driving = self._kit_brakes = False
        self._play = Play(WHEEL_PLAY)
        self._on_wheel, self._on_pedal = Override(OVERRIDE_TORQUE), Override(OVERRIDE_PEDAL)

    def _axes(self, layouts: Mapping[str, Layout]) -> tuple[Axis, Axis, Axis]:
        """Make the axes: steering, drive, brake."""
        rules, demand_of = self.machinery.rules, self.machinery.demand_of
        steering, drive, brake = (
            Axis(rules[name], layouts[demand_of[name]], self.chronicle, name)
            for name in ("steering", "drive", "brake")
        )
        return steering, drive, brake

    @property
    def measured_angle(self) -> float:
        """What the sensor of the steering wheel says, rad."""
        return self.wheel_angle + self.sensors.angle_offset

    @property
    def reason(self) -> Reason:
        """Why the kit is in its mode: the first axis that has something to say."""
        if not self.chain.loop_closed:
            return Reason.STOP_LOOP_OPEN
        for axis in self._each:
            if axis.reason not in QUIET:
                return axis.reason
        return self.steering.reason

    def set_override_torque(self, torque: float) -> None:
        """Set the torque, N m, above which the kit takes a hand on the wheel for an override."""
        self._on_wheel = Override(torque)

    def step(self, t_ns: int) -> None:
        """Let one step pass."""
        seconds = self.seconds
        self.chain.step(t_ns)
        self.feed_changed = self.feed.step(t_ns, self.chain.supply, self.chain.switched)
        if self.chain.loop_closed is not self._loop_was_closed:
            self._loop_was_closed = self.chain.loop_closed
            if not self.chain.loop_closed:
                self.events.append(Event(t_ns, 0, Reason.STOP_LOOP_OPEN))
        self._judge_axes(t_ns)
        missed = self.computer.misses(t_ns)
        if missed is not None:
            self._withdraw(missed, t_ns)
        self.computer.step(t_ns, seconds)
        self._startle(t_ns)
        self.driver.step(self.vehicle.speed, not self.drive.active, seconds)
        self._steer()
        self._move(t_ns)

    def _judge_axes(self, t_ns: int) -> None:
        steering, drive, brake = self._each
        steering.allowed = drive.allowed = brake.allowed = self.chain.loop_closed
        self.hand = self.driver.pull(t_ns)
        felt = self.hand + self.sensors.torque_offset - self.rim_inertia * self.turning
        by_wheel = self._on_wheel.step(felt, t_ns) and steering.state is ACTIVE
        by_pedal = self._on_pedal.step(self.driver.brake, t_ns)
        if by_pedal or by_wheel:
            by = Subject.PEDAL if by_pedal else Subject.HAND if self.hand else Subject.TORQUE_SENSOR
            after = self.chronicle.about(t_ns, by)
            for axis in self._each:
                axis.override(t_ns, after)
        for axis in self._each:
            axis.step(t_ns)
            if axis.events:
                self.events += axis.events
                axis.events.clear()
        self._judge_mode(t_ns)

    def _judge_mode(self, t_ns: int) -> None:
        """Say who drives; where one axis is not there any more, the others let go too."""
        steering, drive, brake = self._each
        states = (steering.state, drive.state, brake.state)
        if FAULTED in states or (READY in states and (steering.lost or drive.lost or brake.lost)):
            self.mode = FAULT
            first = next(each for each in self._each if each.lost or each.state is FAULTED)
            self._stop_after = first.left
            steering.let_go(t_ns, first.left)
            drive.let_go(t_ns, first.left)
        elif ACTIVE in states:
            self.mode = AUTONOMOUS
            if min(states) >= READY:
                self._all_there_ns = t_ns
            elif t_ns - self._all_there_ns > MISSED_NS:
                gone = next(each for each in self._each if each.state < READY)
                for axis in self._each:
                    axis.let_go(t_ns, gone.left)
        else:
            self.mode, self._all_there_ns = MANUAL, t_ns

    def _withdraw(self, missed: str, t_ns: int) -> None:
        """Let the computer withdraw its demands, because a message has been away for too long."""
        computer, note = self.computer, self.chronicle.note
        after = self.chronicle.about(t_ns, missed, computer.watched[missed], Subject.BUS)
        after = note(t_ns, Happened.FEEDBACK_SILENT, missed, after=after)
        how = "sends nothing" if computer.by_silence else "takes the enable bit back"
        demand_of = self.machinery.demand_of
        for message in sorted({demand_of[name] for name in computer.enabled}):
            about = (message,) if computer.by_silence else (enable_of(message),)
            note(t_ns, Happened.DEMAND_WITHDRAWN, message, after=after, reason=how, about=about)
        computer.withdraw()

    def _startle(self, t_ns: int) -> None:
        """Where the drive let go of itself, surprise the driver; let him react when his time has come."""
        driver, drive, computer = self.driver, self.drive, self.computer
        if drive.active:
            driver.act()
        elif self._was_driving and ("drive" in computer.enabled or computer.withdrew):
            driver.surprise(t_ns)
        self._was_driving = drive.active
        if driver.reacts(t_ns):
            after = self.chronicle.about(t_ns, Subject.MOTION)
            if "brake" in driver.reacts_with:
                about = (Subject.PEDAL, Subject.MOTION)
                self.chronicle.note(t_ns, Happened.DRIVER_BRAKED, "driver", after=after, about=about)
            if "wheel" in driver.reacts_with:
                self.chronicle.note(t_ns, Happened.DRIVER_HELD_WHEEL, "driver", after=after)

    def _steer(self) -> None:
        """Turn the wheel by motor or hand, and the road wheels with it."""
        by_motor, before = self.steering.active, self.wheel_rate
        if by_motor is not self._by_motor:
            self._by_motor = by_motor
            if by_motor:
                self.steering_motor.hold(self.wheel_angle, self.wheel_rate)
            else:
                self.hands.hold(self.wheel_angle, self.wheel_rate)
                self.driver.angle = self.wheel_angle
        if by_motor:
            wanted = self.machinery.meant_angle(self.steering.demand) - self.sensors.angle_offset
            wanted += YIELD * self.hand
            self.wheel_angle, self.wheel_rate = self.steering_motor.step(wanted), self.steering_motor.speed
        else:
            self.steering_motor.rest()
            self.driver.angle += TURNED_BY_HAND * self.driver.torque * self.seconds
            self.wheel_angle, self.wheel_rate = self.hands.step(self.driver.angle), self.hands.speed
        self.feed.current = self.steering_motor.current
        self.turning = (self.wheel_rate - before) / self.seconds
        torque = self.hand + self.sensors.torque_offset - self.rim_inertia * self.turning
        self.torque = clipped(torque, -TORQUE_END, TORQUE_END)
        self.vehicle.road_angle = self._play.step(self.wheel_angle) / self.parameters.steering_ratio

    def _move(self, t_ns: int) -> None:
        """Push and brake the vehicle."""
        vehicle, parameters, drive = self.vehicle, self.parameters, self.drive
        active = drive.active
        self._shift(drive.gear if active else self.driver.gear)
        if drive.state is OFF:
            self.throttle.hold(0.0)
            throttle = 0.0
        elif active:
            throttle = self.throttle.step(drive.demand)
        elif self.mode is FAULT:
            throttle = self.throttle.step(0.0)
        else:
            pedal = self.sensors.pedal
            throttle = self.throttle.step(self.driver.throttle if pedal is None else min(pedal, 100.0))
        speed = vehicle.speed
        force = 0.01 * throttle * parameters.motor_force
        if abs(speed) * force > parameters.motor_power:
            force = parameters.motor_power / abs(speed)
        if self.gear is REVERSE:
            force = -force
        elif self.gear is not FORWARD:
            force = 0.0
        self.effort = effort = max(self.brake_motor.step(self._asked_effort(t_ns)), self.driver.brake)
        braking = 0.01 * effort * parameters.brake_force + PARKING_FORCE * self.parking
        vehicle.step(force, braking, self.seconds)
        if speed and not vehicle.speed:
            self._stand(t_ns)
        self.battery.step(abs(force * speed), self.seconds)

    def _asked_effort(self, t_ns: int) -> float:
        """Return the effort that the kit's brake is to have, %."""
        effort = self.brake.demand if self.brake.active else 0.0
        stops = self.mode is FAULT and self.brake.state is not OFF
        if stops and not self._kit_brakes and self.vehicle.speed:
            about, after = (Subject.MOTION,), self._stop_after
            self.chronicle.note(t_ns, Happened.KIT_BRAKED, "brake", after=after, about=about)
        self._kit_brakes = stops
        return max(effort, STOP_EFFORT) if stops else effort

    def _stand(self, t_ns: int) -> None:
        """Note that the cart has come to rest, where the kit or a surprised driver stopped it."""
        if self.driver.surprised_ns is not None or self._kit_brakes:
            after = self.chronicle.about(t_ns, Subject.MOTION)
            self.chronicle.note(t_ns, Happened.STANDSTILL, "cart", after=after)

    def _shift(self, wanted: float) -> None:
        if wanted != self.gear and abs(self.vehicle.speed) < STANDSTILL:
            self.gear = Gear(int(wanted))
