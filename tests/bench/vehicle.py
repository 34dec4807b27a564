"""Benchmark: a vehicle of 130 messages on two buses, and how it is described.

Four messages, an eighth of the frames, belong to a drive-by-wire kit and have signals of their own; the
others follow one pattern for each payload length. `sparse` describes the four, `dense` describes them all. In
`checked`, which is of traffic of its own, each has 8 bytes, the last two for a counter and a checksum.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).parent
DRIVE, BODY = "can0", "can1"


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal, as a DBC has it.

    Attributes:
        name: Its name.
        layout: Start bit, length, byte order and sign, as in "7|16@0-".
        factor: Physical value = raw * factor + offset, in decimal digits.
        offset: See `factor`.
        low: Smallest raw value that is promised; a payload can hold smaller ones.
        high: Largest.
        unit: Unit.
    """

    name: str
    layout: str
    factor: str
    offset: str
    low: int
    high: int
    unit: str = ""

    @property
    def start_bit(self) -> int:
        """Start bit as a DBC numbers it."""
        return int(self.layout.split("|")[0])

    @property
    def bits(self) -> int:
        """Length."""
        return int(self.layout.split("|")[1].split("@")[0])

    @property
    def big_endian(self) -> bool:
        """Byte order."""
        return self.layout[-2] == "0"

    def physical(self, raw: int) -> str:
        """The physical value of a raw one, in decimal digits."""
        return f"{raw * float(self.factor) + float(self.offset):.10g}"

    def line(self) -> str:
        """Its line of a DBC."""
        limits = f"[{self.physical(self.low)}|{self.physical(self.high)}]"
        scaling = f"({self.factor},{self.offset})"
        return f' SG_ {self.name} : {self.layout} {scaling} {limits} "{self.unit}" Computer'


@dataclass(frozen=True, slots=True)
class Message:
    """One message.

    Attributes:
        name: Its name.
        can_id: Identifier, unique on both buses.
        channel: Channel of its bus.
        period_ms: Cycle time.
        length: Payload bytes.
        signals: What it holds.
    """

    name: str
    can_id: int
    channel: str
    period_ms: int
    length: int
    signals: tuple[Signal, ...]


COUNTER = Signal("Counter", "60|4@1+", "1", "0", 0, 15)
KIT = (
    Message(
        *("SteerFeedback", 0x101, DRIVE, 10, 8),
        (
            Signal("Angle", "0|16@1-", "0.1", "0", -5400, 5400, "deg"),
            Signal("Rate", "16|12@1-", "1", "0", -1200, 1200, "deg/s"),
            Signal("State", "28|3@1+", "1", "0", 0, 5),
            Signal("Homed", "31|1@1+", "1", "0", 0, 1),
            Signal("Torque", "32|12@1-", "0.02", "0", -2000, 2000, "Nm"),
            COUNTER,
        ),
    ),
    Message(
        *("DriveFeedback", 0x112, DRIVE, 10, 8),
        (
            Signal("Speed", "7|16@0-", "0.01", "0", -1000, 3000, "km/h"),
            Signal("MotorSpeed", "23|16@0-", "1", "0", -1500, 6000, "1/min"),
            Signal("MotorTorque", "39|12@0-", "0.2", "0", -1500, 1500, "Nm"),
            Signal("Throttle", "48|8@1+", "0.5", "0", 0, 200, "%"),
            Signal("Gear", "56|2@1+", "1", "0", 0, 3),
            COUNTER,
        ),
    ),
    Message(
        *("WheelSpeeds", 0x122, DRIVE, 10, 8),
        (
            Signal("FrontLeft", "7|16@0+", "0.01", "-50", 0, 10000, "km/h"),
            Signal("FrontRight", "23|16@0+", "0.01", "-50", 0, 10000, "km/h"),
            Signal("RearLeft", "39|16@0+", "0.01", "-50", 0, 10000, "km/h"),
            Signal("RearRight", "55|16@0+", "0.01", "-50", 0, 10000, "km/h"),
        ),
    ),
    Message(
        *("BrakeFeedback", 0x121, DRIVE, 20, 8),
        (
            Signal("Pressure", "0|12@1+", "0.05", "0", 0, 2400, "bar"),
            Signal("Effort", "16|8@1+", "0.5", "0", 0, 200, "%"),
            Signal("Pedal", "24|8@1+", "0.5", "0", 0, 200, "%"),
            Signal("State", "32|3@1+", "1", "0", 0, 5),
            Signal("ParkingReleased", "35|1@1+", "1", "0", 0, 1),
            COUNTER,
        ),
    ),
)

# What the other messages hold, by payload length; those of 8 bytes take the patterns in turn.
_MODE, _STATUS = Signal("Mode", "56|3@1+", "1", "0", 0, 7), Signal("Status", "48|3@1+", "1", "0", 0, 7)
_WORDS = (
    Signal("Voltage", "0|16@1+", "0.01", "-200", 0, 60000, "V"),
    Signal("Current", "16|16@1+", "0.01", "-200", 0, 60000, "A"),
    Signal("Temperature", "32|16@1+", "0.01", "-200", 0, 60000, "°C"),
    *(_STATUS, Signal("Ready", "51|1@1+", "1", "0", 0, 1), COUNTER),
)
_MOTOROLA = (
    *(Signal(f"Force{n}", f"{16 * n + 7}|14@0-", "0.5", "0", -8000, 8000, "N") for n in range(3)),
    *(Signal("Load", "48|8@1+", "0.4", "0", 0, 250, "%"), _MODE, COUNTER),
)
_BYTES = (
    *(Signal(f"Share{n}", f"{8 * n}|8@1+", "0.4", "0", 0, 250, "%") for n in range(6)),
    *(_STATUS, COUNTER),
)
_STATES = tuple(Signal(f"State{n}", f"{2 * n}|2@1+", "1", "0", 0, 3) for n in range(4))
_WORD_AND_STATES = (*_STATES, Signal("Position", "8|8@1+", "0.4", "0", 0, 250, "%"))
_LONG = (*_STATES, Signal("Angle", "8|12@1-", "0.1", "0", -2000, 2000, "deg"))
_EIGHT = (_WORDS, _MOTOROLA, _BYTES)
_SHORTER = {1: _STATES, 2: _WORD_AND_STATES, 3: _LONG, 4: _LONG, 5: _LONG, 6: _LONG, 7: _LONG}
_EVERY = 6  # one message in so many is shorter than 8 bytes

# Cycle time in ms to how many messages have it besides those of the kit. With the kit they come to 130
# messages and 2,800 frames/s, a third of what two buses of 500 kbit/s carry; the kit's are 350 of them.
_OTHERS = {10: 7, 20: 15, 50: 26, 100: 36, 200: 16, 500: 14, 1000: 12}


def _other(number: int, period_ms: int) -> Message:
    """The other message `number`, from 0; the more urgent, the lower its identifier."""
    length = 1 + number // _EVERY % 7 if number % _EVERY == _EVERY - 1 else 8
    signals = _SHORTER.get(length, _EIGHT[number % len(_EIGHT)])
    can_id, channel = 0x140 + 11 * number, (DRIVE, BODY)[number % 2]
    return Message(f"Unit{number:03d}", can_id, channel, period_ms, length, signals)


_PERIODS = [period_ms for period_ms, count in _OTHERS.items() for _ in range(count)]
MESSAGES = (*KIT, *(_other(number, period_ms) for number, period_ms in enumerate(_PERIODS)))


ROLLING, CHECK = Signal("Rolling", "48|4@1+", "1", "0", 0, 15), Signal("Check", "56|8@1+", "1", "0", 0, 255)
PROTECTED_BYTES = 6  # those before the counter and the checksum


def _with_protection(message: Message) -> Message:
    """The message with a counter and a checksum in its last two bytes, where nothing else is."""
    signals = [one for one in message.signals if last_byte(one) < PROTECTED_BYTES and one is not COUNTER]
    return replace(message, length=8, signals=(*signals, ROLLING, CHECK))


def last_byte(signal: Signal) -> int:
    """The last byte in which a signal has bits, from 0."""
    if signal.big_endian:
        return signal.start_bit // 8 + (signal.bits - signal.start_bit % 8 + 6) // 8
    return (signal.start_bit + signal.bits - 1) // 8


PROTECTED = tuple(_with_protection(message) for message in MESSAGES)


def dbc(messages: tuple[Message, ...]) -> str:
    """The text of the DBC that describes `messages`."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Kit Computer", ""]
    for message in messages:
        lines.append(f"BO_ {message.can_id} {message.name}: {message.length} Kit")
        lines += [*(signal.line() for signal in message.signals), ""]
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
    lines += [f'BA_ "GenMsgCycleTime" BO_ {message.can_id} {message.period_ms};' for message in messages]
    return "\n".join((*lines, ""))


def describe(case: str, folder: Path) -> tuple[Path, list[Path]]:
    """Write what describes a case, "sparse", "dense" or "checked", into a folder of its own in `folder`.

    Returns:
        The mapping spec, and the descriptions.
    """
    place = folder / case
    place.mkdir()
    for spec in HERE.glob("*.yaml"):
        shutil.copy(spec, place)
    described: dict[str, tuple[Message, ...]] = {"drive.dbc": KIT}
    if case != "sparse":
        messages = PROTECTED if case == "checked" else MESSAGES
        on_channel = {"drive.dbc": DRIVE, "body.dbc": BODY}
        described = {
            name: tuple(message for message in messages if message.channel == channel)
            for name, channel in on_channel.items()
        }
    if case == "checked":
        _write_checked(place)
    for name, messages in described.items():
        (place / name).write_text(dbc(messages), encoding="utf-8")
    return place / f"{case}.yaml", [place / name for name in described]


def _write_checked(place: Path) -> None:
    """Turn the spec of the dense case into that of the checked one: without what made room, all protected."""
    gone = [
        f"{message.name}.{signal.name}"
        for message, protected in zip(MESSAGES, PROTECTED, strict=True)
        for signal in {*message.signals} - {*protected.signals}
    ]
    for spec in place.glob("*.yaml"):
        lines = spec.read_text(encoding="utf-8").splitlines(keepends=True)
        spec.write_text(
            "".join(one for one in lines if not any(name in one for name in gone)), encoding="utf-8"
        )
    rule = "{counter: {signal: Rolling}, checksum: {signal: Check, profile: CRC-8/SAE-J1850, bytes: [0, 6]}}"
    rules = "".join(f"  {message.name}: {rule}\n" for message in PROTECTED)
    dense = (place / "dense.yaml").read_text(encoding="utf-8")
    (place / "checked.yaml").write_text(f"{dense}\nmessages:\n{rules}", encoding="utf-8")
