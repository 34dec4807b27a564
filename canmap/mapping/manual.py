"""What a manual promises beyond how messages come: counters, checksums, demands, faults, states, overrides.

Read and resolved with the rest of a spec; which of it is judged is for the checks to say.
"""

from __future__ import annotations

from dataclasses import field
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.fault_rules import FaultRule, TroubleCodeRule
    from canmap.mapping.override_rules import OverrideRule
    from canmap.mapping.refs import MessageRef, Requirement, SignalRef
    from canmap.mapping.supplied_nodes import NodeRule, StopChainRule
    from canmap.vocabulary.checksum_profiles import ChecksumMethod


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterRule:
    """A counter that goes on with every frame.

    Attributes:
        signal: Where it is.
        step: From one frame to the next.
        start: Its first value, and that after the last.
        wrap: Its last value before it starts again, None for all ones.
        reserved: Values that it leaves out.
        per: What it counts: the frames of a "message", of a "sender", or of a value of the "multiplexer".
        on_change: It counts only frames that differ from the one before.
        largest_delta: The largest step that the receiver accepts, None where not promised.
    """

    signal: SignalRef
    step: int = 1
    start: int = 0
    wrap: int | None = None
    reserved: tuple[int, ...] = ()
    per: str = "message"
    on_change: bool = False
    largest_delta: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumRule:
    """A checksum over the payload.

    Attributes:
        method: How it is worked out, all that the spec says of that included.
        profile: Name of the profile, "" where the spec gives the parameters of a CRC.
        signal: Where it is, None where `position` says it.
        position: The bytes in which it is, the most significant first.
        data_id: What is worked in beside the payload: one, or one for each counter; none for nothing.
        bytes: First and last byte that it covers, backwards where the last is the smaller; None for all but
            its own.
        page: Of the manual, "" where the spec does not tell.
        line: Line of the spec.
        needs_counter: It depends on a counter that is not where its profile has it.
    """

    method: ChecksumMethod
    profile: str = ""
    signal: SignalRef | None = None
    position: tuple[int, ...] = ()
    data_id: tuple[int, ...] = ()
    bytes: tuple[int, int] | None = None
    page: str = ""
    line: int = field(default=0, compare=False)
    needs_counter: bool = False


HOLD = "hold"
REACTIONS = (HOLD, "release", "ramp", "stop")
GOES_ON = (HOLD, "ramp")  # those in which the axis may go on acting


@dataclass(frozen=True, slots=True)
class DemandLimit:
    """By how much a signal of a demand may change from one frame to the next, in the unit of the signal.

    Attributes:
        signal: The signal.
        limit: The largest change, or the fastest, in a second.
        is_rate: Whether it is the fastest.
    """

    signal: SignalRef
    limit: Fraction
    is_rate: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandRule:
    """A message by which the kit is commanded.

    Attributes:
        message: The message.
        watchdog_ns: Time without it after which the kit reacts, None where not promised.
        reaction: What the kit then does, in words.
        first: What it does first, of `REACTIONS`; "" where only words tell.
        acts_for_ns: For how long the axis may then go on acting, and has to where it holds first; None where
            not promised.
        fresh_when: A frame feeds the watchdog only while all of these hold.
        asks_when: A frame asks the axis to act only while all of these hold.
        requires: What must be right for that: "counter", "checksum", "enable", "range", "step", "slew".
        limits: Further or faster from the last that it took, the kit takes no demand while the axis acts.
        tolerates: So many bad frames in a row still feed the watchdog.
        watchdog_with: Other demands that feed the same watchdog.
        state_machine: Name of the state machine of its axis, "" where the spec does not tell.
        page: Of the manual, "" where the spec does not tell.
    """

    message: MessageRef
    watchdog_ns: int | None = None
    reaction: str = ""
    first: str = ""
    acts_for_ns: int | None = None
    fresh_when: tuple[Requirement, ...] = ()
    asks_when: tuple[Requirement, ...] = ()
    requires: tuple[str, ...] = ()
    limits: tuple[DemandLimit, ...] = ()
    tolerates: int = 0
    watchdog_with: tuple[MessageRef, ...] = ()
    state_machine: str = ""
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TransitionRule:
    """A legal transition, by raw codes of the state signal.

    Attributes:
        origin: The states before, empty for any.
        target: The states after.
        within_ns: Longest time that it takes.
        at_least_after_ns: Shortest time in the old state.
        when: All must hold.
        page: Of the manual, "" where the spec does not tell.
    """

    origin: tuple[int, ...]
    target: tuple[int, ...]
    within_ns: int | None = None
    at_least_after_ns: int | None = None
    when: tuple[Requirement, ...] = ()
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EnableRule:
    """How a state machine is enabled.

    Attributes:
        signal: The enable bit.
        edge: "rising" or "falling".
        when: All must hold at the edge.
        within_ns: Longest time until the kit follows.
        low_for_ns: For how long the bit has to be low before it rises, or high before it falls.
        to: The states in which the kit then is, by raw code; empty for any other than before.
        page: Of the manual, "" where the spec does not tell.
    """

    signal: SignalRef
    edge: str = "rising"
    when: tuple[Requirement, ...] = ()
    within_ns: int | None = None
    low_for_ns: int | None = None
    to: tuple[int, ...] = ()
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StateMachineRule:
    """The states of a part of the kit.

    Attributes:
        name: As the spec names it.
        signal: Reports the state.
        transitions: The legal ones, empty where all are.
        longest_ns: Longest time in a state, by raw code.
        enable: How it is enabled, None where not promised.
        active: The states in which it acts, by raw code; empty where neither spec nor labels tell.
        overridden: The states in which the driver has taken over, in the same way.
        page: Of the manual, "" where the spec does not tell.
    """

    name: str
    signal: SignalRef
    transitions: tuple[TransitionRule, ...] = ()
    longest_ns: Mapping[int, int] = field(default_factory=dict)
    enable: EnableRule | None = None
    active: tuple[int, ...] = ()
    overridden: tuple[int, ...] = ()
    page: str = ""


class Slope(StrEnum):
    """How the second value of a redundant pair follows the first."""

    SAME = "same"
    HALF = "half"
    INVERSE = "inverse"
    INVERSE_HALF = "inverse_half"


@dataclass(frozen=True, slots=True, kw_only=True)
class RedundantPair:
    """Two signals, or two fields of records, that tell the same.

    Attributes:
        name: As the spec names it.
        signals: The first and the second, in one unit; none where it is a pair of fields.
        fields: Record and field of the first and the second; none where it is a pair of signals.
        slope: How the second follows the first.
        sum: What an inverse pair adds up to: the first, or half of it, and the second; in their unit.
        offset: How much more the second tells than the slope says, in their unit; 0 where inverse.
        tolerance: How far apart they may be, in the unit of the first: the description's, SI for fields.
        within_ns: Time for which they may disagree, 0 for none.
        lag_ns: By how much later the second tells the same, negative where it is earlier; None where a sample
            of the first is compared with the newest of the second.
        page: Where the manual says so, "" where the spec does not tell.
    """

    name: str
    signals: tuple[SignalRef, ...] = ()
    fields: tuple[tuple[str, str], ...] = ()
    slope: Slope = Slope.SAME
    sum: Fraction | None = None
    offset: Fraction = Fraction(0)
    tolerance: Fraction
    within_ns: int = 0
    lag_ns: int | None = None
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedOn:
    """What a spec was verified on, in words; the hashes of the descriptions by bus."""

    firmware: str = ""
    manual: str = ""
    date: str = ""
    descriptions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedRange:
    """A limit of a field that changes with the vehicle's speed.

    Attributes:
        speed: Record and field of the speed.
        points: (speed in m/s, limit in the field's unit), as the spec orders them.
        page: Where the manual says so, "" where the spec does not tell.
    """

    speed: tuple[str, str]
    points: tuple[tuple[Fraction, Fraction], ...]
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenRule:
    """When a value that does not change any more is taken for dead.

    Attributes:
        longer_than_ns: It may stay the same for so long after the related one has moved.
        related: Record and field of what moves it.
        moves: By how much that has to move, in its SI unit.
        unit: The unit that the spec wrote for `moves`, for texts.
        unit_factor: SI value = value in that unit * unit_factor.
        page: Where the manual says so, "" where the spec does not tell.
    """

    longer_than_ns: int
    related: tuple[str, str]
    moves: Fraction
    unit: str
    unit_factor: float
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RailedRule:
    """When a signal that stands at an end of its raw values is taken for broken.

    Attributes:
        longer_than_ns: It may stand there for so long.
        at: Which end: "low", "high" or "both".
        page: Where the manual says so, "" where the spec does not tell.
    """

    longer_than_ns: int
    at: str = "both"
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandedAxis:
    """An axis that is commanded: what is asked of it, and what it reports.

    Attributes:
        name: As the spec names it.
        report: Record and field of what it does.
        demand: Record and field of what is asked of it, in the same unit.
        tolerance: How far apart they may be, in that unit; None where tracking is not judged.
        within_ns: Time after which the report has to have followed a demand.
        echo: The report only repeats the demand, so that it proves nothing.
        when: It follows its demand only while all of these hold.
        page: Where the manual says so, "" where the spec does not tell.
    """

    name: str
    report: tuple[str, str]
    demand: tuple[str, str]
    tolerance: Fraction | None = None
    within_ns: int = 0
    echo: bool = False
    when: tuple[Requirement, ...] = ()
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manual:
    """What the manual promises of the whole vehicle.

    Attributes:
        demands: By which the kit is commanded.
        supply_groups: Nodes that one relay feeds, by the group's name.
        faults: Faults that signals report.
        trouble_codes: Messages that tell J1939 trouble codes.
        redundant: Pairs that tell the same.
        state_machines: States and how they follow each other.
        overrides: What counts as the driver's.
        axes: What is commanded.
        nodes: What is known of nodes.
        stop_chain: What a request to stop has to lead to, None where the spec does not tell.
        verified_on: What the spec was verified on, None where it does not tell.
    """

    demands: tuple[DemandRule, ...] = ()
    supply_groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    faults: tuple[FaultRule, ...] = ()
    trouble_codes: tuple[TroubleCodeRule, ...] = ()
    redundant: tuple[RedundantPair, ...] = ()
    state_machines: tuple[StateMachineRule, ...] = ()
    overrides: tuple[OverrideRule, ...] = ()
    axes: tuple[CommandedAxis, ...] = ()
    nodes: tuple[NodeRule, ...] = ()
    stop_chain: StopChainRule | None = None
    verified_on: VerifiedOn | None = None
