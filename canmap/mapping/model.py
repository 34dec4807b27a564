"""The mapping spec as the engine uses it: every name resolved, every quantity exact and in SI.

`loader.load_spec` makes it from YAML; nothing here knows of YAML. Limits and factors are fractions,
so that a limit can be turned into raw counts without rounding.
"""

from __future__ import annotations

from dataclasses import field
from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import UsageError
from canmap.mapping.manual import Manual
from canmap.mapping.reading.mistakes import Faults
from canmap.mapping.topic_rules import TopicRules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from fractions import Fraction

    from canmap.mapping.description.description import DescribedMessage, Description, NoData
    from canmap.mapping.manual import (
        ChecksumRule,
        CounterRule,
        FrozenRule,
        RailedRule,
        SpeedRange,
    )
    from canmap.mapping.notes import Note
    from canmap.mapping.refs import Requirement, SignalRef
    from canmap.mapping.relay_rules import RelayRule
    from canmap.vocabulary.record_types import FieldType, Record


class Trigger(StrEnum):
    """What makes a sender send a message."""

    CYCLIC = "cyclic"
    ON_CHANGE = "on_change"
    EVENT = "event"
    REQUESTED = "requested"
    UNPROMISED = "unpromised"  # neither the spec nor the description says


class OutOfRange(StrEnum):
    """What a record does with a value outside its range."""

    KEEP = "keep"
    MASK = "mask"
    CLAMP = "clamp"


@dataclass(frozen=True, slots=True)
class Bus:
    """One CAN bus of the vehicle.

    Attributes:
        name: As the spec names it.
        channel: Channel of the capture or interface that carries it.
        bit_rate_bps: Nominal bit rate, None where not stated.
        description: Its messages, corrections applied.
        data_bit_rate_bps: Bit rate of the fast phase of FD frames, None where not stated.
    """

    name: str
    channel: str
    bit_rate_bps: int | None
    description: Description
    data_bit_rate_bps: int | None = None


@dataclass(frozen=True, slots=True)
class Selected:
    """One value of a multiplexer, for which something of its own is promised.

    Attributes:
        signal: The multiplexer.
        codes: Its raw values.
        text: As the spec writes it.
    """

    signal: str
    codes: tuple[int, ...]
    text: str


@dataclass(frozen=True, slots=True)
class MessageRule:
    """How a message is promised to come.

    Attributes:
        bus: Bus name.
        message: As described, corrections applied.
        trigger: What makes it come.
        period_ns: Promised period of a cyclic message, else None.
        stale_after_ns: Silence from which on it is stale, None where not judged.
        stale_is_error: Severity of that silence (a demand's half watchdog is a warning only).
        sender: Node that sends it, from the spec or the description.
        line: Line of the spec that speaks of it, 0 for none.
        minimum_gap_ns: Shortest promised time between two frames, None where not promised.
        start_up_ns: Time after power-on, or after its conditions began to hold, in which it may be missing.
        active_when: It is expected only while all of these hold.
        heartbeat_ns: Longest promised time between two frames of one that is not cyclic, None for none.
        selected: The value of its multiplexer that the rule is about, None for the whole message.
        counter: Its counter, None for none.
        checksum: Its checksum, None for none.
        relay_of: The message that a gateway passes on as this one, None for none.
        latency_ns: Time from the sensor to the bus, as a rule; None where not promised.
        latency_jitter_ns: By how much that may be more or less.
        page: Of the manual, "" where the spec does not tell.
    """

    bus: str
    message: DescribedMessage
    trigger: Trigger
    period_ns: int | None
    stale_after_ns: int | None
    stale_is_error: bool
    sender: str | None
    line: int
    minimum_gap_ns: int | None = None
    start_up_ns: int = 0
    active_when: tuple[Requirement, ...] = ()
    heartbeat_ns: int | None = None
    selected: Selected | None = None
    counter: CounterRule | None = None
    checksum: ChecksumRule | None = None
    relay_of: RelayRule | None = None
    latency_ns: int | None = None
    latency_jitter_ns: int = 0
    page: str = ""

    @property
    def longest_latency_ns(self) -> int:
        """Longest time from the sensor to the bus, 0 where none is promised."""
        return (self.latency_ns or 0) + self.latency_jitter_ns

    @property
    def name(self) -> str:
        """What sentences call it: "BatteryPage", "BatteryPage with Page 3"."""
        chosen = self.selected
        return f"{self.message.name} with {chosen.signal} {chosen.text}" if chosen else self.message.name

    @property
    def facts(self) -> dict[str, str | float]:
        """What findings about it say beside its name: times in s, the value of its multiplexer, the page."""
        times = {"period_s": self.period_ns, "start_up_s": self.start_up_ns}
        chosen = {self.selected.signal: self.selected.text} if self.selected else {}
        page = {"page": self.page} if self.page else {}
        return {name: time_ns / 1e9 for name, time_ns in times.items() if time_ns} | chosen | page


@dataclass(frozen=True, slots=True)
class Limits:
    """A range of a record field, inclusive.

    Attributes:
        low: In the record's unit, None for none.
        high: In the record's unit, None for none.
        unit: The unit that the spec wrote, for texts.
        factor: Record unit = written unit * factor + offset.
        offset: See `factor`.
    """

    low: Fraction | None
    high: Fraction | None
    unit: str
    factor: Fraction
    offset: Fraction


@dataclass(frozen=True, slots=True)
class FieldRule:
    """Where a record field comes from.

    A number is ``factor * sum(physical values of the sources) + offset``, then passed through `table`.
    A choice is looked up in `codes` by the raw value of its only source.

    Attributes:
        type: What the field holds.
        sources: The signal, or the signals of one message that are summed.
        factor: Description's unit to record's unit, with sign and scale of the spec.
        offset: In the record's unit.
        table: Breakpoints (in, out) in the record's unit, ascending; None for none. Outside, the ends hold.
        codes: Raw value to the field's value (bool, int or enum member as int), for a choice; else None.
        no_data: For each source, its raw codes that mean "no data" or "error", ascending.
        limits: Allowed range of the finished value, None for the description's.
        out_of_range: What the record does with a value outside.
        valid_when: All must hold for the value to be valid.
        max_age_ns: Age from which on the value is invalid, None for never.
        unit: The unit that the spec wrote for the signal, for texts ("" for a choice).
        line: Line of the spec.
        slew: Fastest promised change, in the record's unit per second, None for none.
        range_by_speed: Limits that change with the speed, None for none.
        frozen: When it is taken for dead because it does not change, None for never.
        railed: When its signal is taken for broken because it stands at an end, None for never.
        shown_in: The unit that screens show a quantity in: the manual's, of the record's dimension.
        negative_when: The finished value is negative while this holds; None where no signal gives the sign.
        labels: What the description calls the values of a code.
    """

    type: FieldType
    sources: tuple[SignalRef, ...]
    factor: Fraction
    offset: Fraction
    table: tuple[tuple[Fraction, Fraction], ...] | None
    codes: Mapping[int, int] | None
    no_data: tuple[tuple[NoData, ...], ...]
    limits: Limits | None
    out_of_range: OutOfRange
    valid_when: tuple[Requirement, ...]
    max_age_ns: int | None
    unit: str
    line: int
    slew: Fraction | None = None
    range_by_speed: SpeedRange | None = None
    frozen: FrozenRule | None = None
    railed: RailedRule | None = None
    shown_in: str = ""
    negative_when: Requirement | None = None
    labels: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecordRule:
    """How a record is made.

    Attributes:
        name: As the spec names it.
        type: The class of its rows: a core type, or one made from the fields that the spec declares.
        bus: Bus of the message that stamps it.
        stamp: Name of that message.
        fields: The mapped fields, in the order of the type.
        derived: For Motion: the inputs are the fields `speed` and `wheel_angle` or `road_angle`.
        line: Line of the spec.
    """

    name: str
    type: type[Record]
    bus: str
    stamp: str
    fields: tuple[FieldRule, ...]
    derived: bool
    line: int


@dataclass(frozen=True, slots=True)
class Geometry:
    """The vehicle's measures, in m; None where the spec does not tell.

    Attributes:
        wheelbase: From axle to axle.
        track: From wheel to wheel.
        steering_ratio: Steering wheel to road wheels.
        rolling_radius: Of the wheels.
        reference_point: How far ahead of the centre of the rear axle the origin of the vehicle's frame is,
            negative behind it.
    """

    wheelbase: float | None = None
    track: float | None = None
    steering_ratio: float | None = None
    rolling_radius: float | None = None
    reference_point: float = 0.0


def channels_argument(channels: Mapping[str, str]) -> str:
    """Return how a program gives buses their channels: the argument of `load_spec`."""
    given = ", ".join(f'"{bus}": "{channel}"' for bus, channel in channels.items())
    return f"channels={{{given}}}"


@dataclass(frozen=True, slots=True)
class Spec:
    """A vehicle's mapping spec, resolved against its descriptions.

    Attributes:
        path: The file.
        vehicle: Its name for the vehicle.
        geometry: Measures.
        buses: By name.
        messages: One rule for every described message, bus by bus in the description's order.
        selections: Further rules, each about one value of the multiplexer of a message.
        records: In the order of the spec.
        notes: What is not promised, what was corrected.
        files: Every file that it was read from: itself, its fragments, the descriptions.
        manual: What the manual promises of the whole vehicle.
        topics: What is said of the topics that records are published on.
        advise: Says how whoever loaded it gives buses other channels; takes the channels by bus.
    """

    path: str
    vehicle: str
    geometry: Geometry
    buses: Mapping[str, Bus]
    messages: tuple[MessageRule, ...]
    records: tuple[RecordRule, ...]
    notes: tuple[Note, ...]
    selections: tuple[MessageRule, ...] = ()
    files: tuple[str, ...] = ()
    manual: Manual = field(default_factory=Manual)
    topics: TopicRules = field(default_factory=TopicRules)
    advise: Callable[[Mapping[str, str]], str] = channels_argument

    def require_records(self, names: Iterable[str]) -> None:
        """Check that every record of `names` is made.

        Raises:
            UsageError: One is not.
        """
        known = [rule.name for rule in self.records]
        for name in names:
            if name not in known:
                near = Faults().nearest(name, known)
                meant = f"did you mean {near}?" if near else f"it makes {', '.join(known)}."
                raise UsageError(f"{self.path} makes no record {name}; {meant}")
