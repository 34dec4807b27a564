"""All checks, in the order in which findings that start together are told."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING, Any

from canmap.checks.arrivals.rate import Rate
from canmap.checks.arrivals.silence import Silence
from canmap.checks.arrivals.spacing import Spacing
from canmap.checks.arrivals.timed_loss import TimedLoss
from canmap.checks.arrivals.two_senders import TwoSenders
from canmap.checks.axes.demand_steps import DemandSteps
from canmap.checks.axes.overrides import OverrideCheck
from canmap.checks.axes.tracking import TrackingCheck
from canmap.checks.axes.watchdogs import WatchdogCheck
from canmap.checks.buses.addresses import AddressCheck
from canmap.checks.buses.channels import ChannelCheck
from canmap.checks.buses.error_frames import ErrorFrames
from canmap.checks.faults.fault_bits import DebouncedFaults, FaultBits
from canmap.checks.faults.fault_reactions import FaultReactions
from canmap.checks.faults.trouble_codes import TroubleCodes
from canmap.checks.gateways.relays import RelayCheck
from canmap.checks.nodes.late_starts import LateStarts
from canmap.checks.nodes.node_restarts import NodeRestarts
from canmap.checks.nodes.stop_chain import StopChainCheck
from canmap.checks.nodes.undervoltage import Undervoltage
from canmap.checks.protection.counted_loss import CountedLoss, CounterRestart
from canmap.checks.protection.counter_values import JumpingCounter, RepeatedCounter, StrangeCounter
from canmap.checks.protection.lengths import LengthCheck
from canmap.checks.protection.wrong_checksums import ChecksumCheck
from canmap.checks.recording.bad_lines import BadLineCheck
from canmap.checks.recording.clock_steps import ClockStepCheck
from canmap.checks.recording.duplicates import DuplicateCheck
from canmap.checks.recording.not_covered import NotCovered
from canmap.checks.recording.quiet import QuietChannels
from canmap.checks.states.state_machines import StateCheck
from canmap.checks.values.disagree import DisagreeCheck
from canmap.checks.values.frozen import FrozenCheck
from canmap.checks.values.not_a_number import NumberCheck
from canmap.checks.values.odd_codes import CodeCheck
from canmap.checks.values.out_of_range import LimitCheck
from canmap.checks.values.railed import RailedCheck
from canmap.checks.values.ranges_by_speed import SpeedRangeCheck
from canmap.checks.values.slew import SlewCheck
from canmap.findings.kinds import SPEC

if TYPE_CHECKING:
    from canmap.checks.check import Check
    from canmap.findings.finding import Finding

CHECKS: tuple[type[Check[Any]], ...] = (
    Silence,
    NotCovered,
    Rate,
    Spacing,
    CountedLoss,
    TimedLoss,
    CounterRestart,
    NodeRestarts,
    LateStarts,
    RepeatedCounter,
    JumpingCounter,
    StrangeCounter,
    RelayCheck,
    NumberCheck,
    LimitCheck,
    Undervoltage,
    CodeCheck,
    FaultBits,
    DebouncedFaults,
    TroubleCodes,
    FaultReactions,
    SlewCheck,
    DemandSteps,
    SpeedRangeCheck,
    TrackingCheck,
    DisagreeCheck,
    FrozenCheck,
    RailedCheck,
    StateCheck,
    WatchdogCheck,
    StopChainCheck,
    OverrideCheck,
    LengthCheck,
    ChecksumCheck,
    ChannelCheck,
    QuietChannels,
    ClockStepCheck,
    BadLineCheck,
    DuplicateCheck,
    ErrorFrames,
    AddressCheck,
    TwoSenders,
)

KINDS = tuple(dict.fromkeys((*(kind for check in CHECKS for kind in check.kinds), SPEC)))
_RANK = {kind: rank for rank, kind in enumerate(KINDS)}


def place_in_order(finding: Finding) -> tuple[int, int, str, str, float, str]:
    """Return the sort key: by start, then by kind, place and line, so that any cutting gives one order."""
    place, line = finding.place, inf if finding.line is None else finding.line
    rank = _RANK[finding.kind]
    return (finding.start_ns, rank, place.bus or "", place.message or "", line, finding.text)
