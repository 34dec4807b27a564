"""Simulator: simulated frames onto virtual buses at true pace, for replay, live view and bridge.

python-can's `virtual` interface joins the programs of one process; no other interface can be named here.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from canmap.base.extras import python_can
from canmap.frames.chunks import FrameKind
from canmap.simulator.simulation import live_chunks
from canmap.timing.pace import Pace

if TYPE_CHECKING:
    import can

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.scenario.scenario import Scenario


def simulate_live(scenario: Scenario, prefix: str = "", pace: Pace | None = None) -> int:
    """Run a scenario at true pace, sending each frame on the virtual channel of its bus.

    Args:
        scenario: What is run.
        prefix: Goes before the channel names (`can0`), to tell several runs of a process apart.
        pace: Hands frames on when they are due; None: at true pace.

    Returns:
        How many frames were sent; error frames are not, as a virtual bus has none.
    """
    pace = pace or Pace(1.0)
    library = python_can()
    sent = 0
    with contextlib.ExitStack() as stack:
        buses: dict[str, can.BusABC] = {}
        for chunk in live_chunks(scenario):
            for piece in pace.chunks(chunk):
                for name in piece.channels:
                    if name not in buses:
                        bus = library.Bus(interface="virtual", channel=prefix + name)
                        buses[name] = stack.enter_context(bus)
                sent += _send(piece, buses, library.Message)
    return sent


def _send(piece: FrameChunk, buses: dict[str, can.BusABC], make: type[can.Message]) -> int:
    sent = 0
    for i in range(len(piece)):
        if piece.kind[i] == FrameKind.ERROR:
            continue
        buses[piece.channels[piece.channel[i]]].send(
            make(
                timestamp=int(piece.t_ns[i]) / 1e9,
                arbitration_id=int(piece.can_id[i]),
                is_extended_id=bool(piece.extended[i]),
                data=piece.payload[i, : piece.length[i]].tobytes(),
            )
        )
        sent += 1
    return sent
