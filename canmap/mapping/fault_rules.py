"""What a manual says of the faults that the kit reports."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.refs import MessageRef, SignalRef


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadsTo:
    """What a fault makes of an axis.

    Attributes:
        machine: Name of its state machine.
        states: The states that it then takes, by raw code.
    """

    machine: str
    states: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRule:
    """A fault that a signal reports.

    Attributes:
        signal: The signal.
        bit: Which of its bits, None for the whole signal.
        codes: Raw codes of an enumerated signal that report it, none where it is no such signal.
        text: What the manual says.
        severity: "error", "warning" or "note".
        reset: What clears it, in words.
        normally_closed: The bit is 0 in the fault.
        debounce_ns: It is one only once it has lasted for longer.
        leads_to: What it makes of axes.
        within_ns: Time that these may take.
        page: Of the manual, "" where the spec does not tell.
    """

    signal: SignalRef
    bit: int | None = None
    codes: tuple[int, ...] = ()
    text: str
    severity: str = "error"
    reset: str = ""
    normally_closed: bool = False
    debounce_ns: int = 0
    leads_to: tuple[LeadsTo, ...] = ()
    within_ns: int = 0
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleCodeRule:
    """A J1939 message that tells active trouble codes (DM1).

    Attributes:
        message: The message.
        names: What suspect parameter numbers (SPN) stand for.
        severity: "error", "warning" or "note".
        page: Of the manual, "" where the spec does not tell.
    """

    message: MessageRef
    names: Mapping[int, str] = field(default_factory=dict)
    severity: str = "error"
    page: str = ""
