"""Typed facts about an episode, in a closed vocabulary: what the table of causes may ask for, and no more.

Each atom is a source of evidence and has its own few values; whom or what a value is about is a `Role`. An
atom of which capture and spec hold nothing is not available, and then weighs nothing.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping


class Atom(StrEnum):
    """A source of evidence."""

    REACH = "reach"  # what fell silent together
    ORDER = "order"  # what came first
    COUNTER = "counter"  # what rolling counters did
    PHASE = "phase"  # whether timers went on through a silence
    BUS = "bus"  # error frames and load
    DEMAND = "demand"  # what was asked, and whether it could be taken
    KIT = "kit"  # what the axes said of themselves
    STOP_CHAIN = "stop_chain"
    SUPPLY = "supply"  # voltages
    STRANGERS = "strangers"  # identifiers that are new, or come far too often
    RECORDER = "recorder"
    PHYSICS = "physics"  # sensors against each other and against what the vehicle does
    DESCRIPTION = "description"  # what does not fit spec and description from the first frame on


class Role(StrEnum):
    """Whom or what a piece of evidence is about."""

    ANY = "any"
    COMPUTER = "computer"  # a sender of demands, or one of its messages
    KIT = "kit"  # a sender that is commanded or fed by the stop relay, or one of its messages
    OTHER = "other"  # any other sender
    COPY = "copy"  # what a gateway passes on
    ONE_SENDER = "one_sender"
    SEVERAL_SENDERS = "several_senders"
    BUTTON = "button"  # that asks for a stop
    LINK = "link"
    LOOP = "loop"
    RELAY = "relay"  # the supply that the stop loop switches
    STEERING_WHEEL = "steering_wheel"
    PEDAL = "pedal"
    SENSOR = "sensor"


VALUES: Mapping[Atom, tuple[str, ...]] = {
    Atom.REACH: (
        *("one_message", "message_or_node", "node", "supply_group", "bus", "everything"),
        *(
            "copy_only",
            "lower_priorities",
            "several_nodes",
            "several",
            "copy_went_on",
            "copy_stopped",
            "copy_late",
            "bus_for_moments",
            "everything_for_moments",
        ),
    ),
    Atom.ORDER: (
        *("stop_first", "silence_first", "withdrawal_first", "demand_first", "axis_first"),
        "axis_with_withdrawal",
    ),
    Atom.COUNTER: (
        "goes_on",
        "skipped",
        "anew",
        "stands",
        "leaves_out",
        "two_at_once",
        "sent_twice",
        "holes",
    ),
    Atom.PHASE: ("kept", "restarted", "back_to_back", "no_return"),
    Atom.BUS: (
        *("clean", "several_disturbed", "one_disturbed", "errors_only", "bursts", "regular_bursts"),
        *("full", "free", "cut_frames"),
    ),
    Atom.DEMAND: (
        *("on_time", "missing", "missing_long", "all_missing", "bunched", "withdrawn", "enabled_too_early"),
        *("counter_refused", "checksum_refused", "out_of_range", "jump_refused"),
    ),
    Atom.KIT: (
        *("let_go", "overridden", "faulted", "stayed_active", "began_anew", "several_began_anew"),
        *("reported_fault", "not_concerned"),
    ),
    Atom.STOP_CHAIN: ("pressed", "released", "lost", "there", "open", "closed", "cut", "fed"),
    Atom.SUPPLY: ("dipped", "steady"),
    Atom.STRANGERS: ("flood",),
    Atom.RECORDER: ("stamps_back", "to_the_end", "recorded_twice"),
    Atom.PHYSICS: (
        *("past_threshold", "varies", "constant", "follows_acceleration"),
        *("apart", "frozen", "last_bits_stood", "jumped", "at_its_end", "not_followed", "strains"),
        *("yaw_shifted", "yaw_scaled", "yaw_not_scaled", "yaw_one_before", "yaw_other_before", "yaw_agrees"),
    ),
    Atom.DESCRIPTION: (
        *("message_never_there", "bus_never_there", "swapped", "errors_only", "others_came"),
        *("value_otherwise", "pace_otherwise", "copy_off"),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One fact about an episode.

    Attributes:
        atom: Where it comes from.
        value: What it says, of the `VALUES` of its atom.
        role: Whom or what it is about.
        subject: The same by name: a message, a node, a record's field; "" for none.
        from_ns: Session clock from which on it holds, or at which it happened.
        to_ns: Session clock until which, the same for a moment.
        strength: How sure it is, up to 1: less where chance may give the same.
        line: Line of the capture where it stands, None where it is about no one frame.
        amount: A figure that its sentence tells, None for none.
        names: Further names that its sentence tells.
    """

    atom: Atom
    value: str
    role: Role = Role.ANY
    subject: str = ""
    from_ns: int
    to_ns: int
    strength: float = 1.0
    line: int | None = None
    amount: float | None = None
    names: tuple[str, ...] = ()
