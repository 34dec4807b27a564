"""Simulator: what a node sends again and again while nothing else can come between, all at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.buses.network import Outcome, new_transmission

if TYPE_CHECKING:
    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.network import Babble, Transmission

BABBLER_WAIT_NS = 1_000_000  # before one that cannot send tries again


def repeats(
    babble: Babble, frame: Frame, start_ns: int, end_ns: int, idle_ns: int, edge_ns: int
) -> list[Transmission]:
    """Return what a babbler sends after its frame on an idle bus, or before all that waits.

    Args:
        babble: What it does.
        frame: Its frame.
        start_ns: Start of that frame when it was last sent.
        end_ns: Its end then.
        idle_ns: Least time between two frames.
        edge_ns: Nothing happens before; what ends later is left out.
    """
    span_ns, gap_ns = end_ns - start_ns, babble.gap_ns
    period_ns = span_ns + max(gap_ns, idle_ns)
    queued_in_time = -(-(babble.stop_ns - gap_ns - end_ns) // period_ns)
    often = max(min((edge_ns - end_ns) // period_ns, queued_in_time), 0)
    ends_ns = range(end_ns + period_ns, end_ns + often * period_ns + 1, period_ns)
    node, sent, queued_ns = babble.node, Outcome.SENT, gap_ns - period_ns
    return [
        new_transmission((t_ns, node, frame, t_ns + queued_ns, 1, sent, t_ns - span_ns, None))
        for t_ns in ends_ns
    ]


def unanswered(sent: Transmission, period_ns: int, edge_ns: int) -> list[Transmission]:
    """Return the further attempts of a node that is alone on its bus, and error passive: they count nothing.

    Args:
        sent: The newest attempt.
        period_ns: From one attempt to the next.
        edge_ns: Nothing happens before; what ends later is left out.
    """
    end_ns, node, frame, queued_ns, attempts, outcome, start_ns, error = sent
    often = max((edge_ns - end_ns) // period_ns, 0)
    later = [(more * period_ns, attempts + more) for more in range(1, often + 1)]
    return [
        new_transmission((end_ns + by_ns, node, frame, queued_ns, count, outcome, start_ns + by_ns, error))
        for by_ns, count in later
    ]
