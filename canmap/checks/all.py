"""All checks, in the order in which findings that start together are told."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING, Any

from canmap.checks.addresses import AddressCheck
from canmap.checks.bad_lines import BadLineCheck
from canmap.checks.channels import ChannelCheck
from canmap.checks.clock_steps import ClockStepCheck
from canmap.checks.counted_loss import CountedLoss, CounterRestart
from canmap.checks.counter_values import JumpingCounter, RepeatedCounter, StrangeCounter
from canmap.checks.demand_steps import DemandSteps
from canmap.checks.disagree import DisagreeCheck
from canmap.checks.duplicates import DuplicateCheck
from canmap.checks.error_frames import ErrorFrames
from canmap.checks.fault_bits import DebouncedFaults, FaultBits
from canmap.checks.fault_reactions import FaultReactions
from canmap.checks.frozen import FrozenCheck
from canmap.checks.late_starts import LateStarts
from canmap.checks.lengths import LengthCheck
from canmap.checks.node_restarts import NodeRestarts
from canmap.checks.not_a_number import NumberCheck
from canmap.checks.not_covered import NotCovered
from canmap.checks.odd_codes import CodeCheck
from canmap.checks.out_of_range import LimitCheck
from canmap.checks.overrides import OverrideCheck
from canmap.checks.quiet import QuietChannels
from canmap.checks.railed import RailedCheck
from canmap.checks.ranges_by_speed import SpeedRangeCheck
from canmap.checks.rate import Rate
from canmap.checks.relays import RelayCheck
from canmap.checks.silence import Silence
from canmap.checks.slew import SlewCheck
from canmap.checks.spacing import Spacing
from canmap.checks.state_machines import StateCheck
from canmap.checks.stop_chain import StopChainCheck
from canmap.checks.timed_loss import TimedLoss
from canmap.checks.tracking import TrackingCheck
from canmap.checks.trouble_codes import TroubleCodes
from canmap.checks.two_senders import TwoSenders
from canmap.checks.undervoltage import Undervoltage
from canmap.checks.watchdogs import WatchdogCheck
from canmap.checks.wrong_checksums import ChecksumCheck
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
