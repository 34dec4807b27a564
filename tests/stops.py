"""A kit with a stop chain and a node that tells its starts, in a few lines; its frames from what happens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests import kits

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.mapping.model import Spec

    Bit = Callable[[int], bool]

KIT = """\
BO_ 256 Panel: 1 Super
 SG_ Button : 0|1@1+ (1,0) [0|1] "" Other
 SG_ KeyOff : 1|1@1+ (1,0) [0|1] "" Other
BO_ 512 State: 1 Super
 SG_ LoopClosed : 0|1@1+ (1,0) [0|1] "" Other
 SG_ SupplyOn : 1|1@1+ (1,0) [0|1] "" Other
BO_ 768 Steer: 8 SteerNode
 SG_ Supply : 0|16@1+ (0.01,0) [0|0] "V" Other
 SG_ Starts : 16|8@1+ (1,0) [0|0] "" Other
 SG_ OnTime : 24|8@1+ (0.1,0) [0|0] "s" Other
 SG_ Counter : 32|4@1+ (1,0) [0|0] "" Other
BO_ 1024 Slow: 1 SteerNode
 SG_ Value : 0|8@1+ (1,0) [0|0] "" Other
BO_ 1280 Boot: 1 SteerNode
 SG_ Firmware : 0|8@1+ (1,0) [0|0] "" Other
BO_ 1536 Event: 1 Super
 SG_ Code : 0|8@1+ (1,0) [0|0] "" Other
"""
PERIODS = {0x100: 20, 0x200: 20, 0x300: 10, 0x400: 50}
MESSAGES = (
    "messages: {Boot: {trigger: event}, Event: {trigger: event}, Steer: {counter: {signal: Counter}}}\n"
)
CHAIN = """\
supply_groups: {kit: [SteerNode]}
record_types: {Key: {fields: {off: {kind: bool}}}}
records:
  button: {type: Stop, stamp: Panel, pressed: Panel.Button}
  key: {type: Key, stamp: Panel, off: Panel.KeyOff}
  chain:
    type: Stop
    stamp: State
    loop_open: {signal: State.LoopClosed, normally_closed: yes}
    supply_cut: {signal: State.SupplyOn, normally_closed: yes}
stop_chain:
  sources: [button]
  loop: chain
  supply: chain
  cuts: kit
  within: 100 ms
  switched_off: key.off
  opened: {Event.Code: 9}
  page: "5"
"""
NODES = """\
nodes:
  SteerNode:
    supply: Steer.Supply
    lowest_supply: 9 V
    restart_count: Steer.Starts
    uptime: Steer.OnTime
    boot: Boot
    start_time: 100 ms
    hold_up: 30 ms
    page: "4"
"""
WHOLE = MESSAGES + CHAIN + NODES


def spec(folder: Path, text: str = WHOLE) -> Spec:
    """The kit with what a spec says of it."""
    return kits.spec_of(folder, KIT, text, periods_ms=PERIODS)


def panel(t: float, pressed: bool = False, off: bool = False):
    """What the operator's panel says."""
    return kits.row(t, 0x100, bytes([pressed | off << 1]))


def state(t: float, opened: bool = False, cut: bool = False):
    """What the supervisor says of the stop loop and the supply."""
    return kits.row(t, 0x200, bytes([(not opened) | (not cut) << 1]))


def steer(t: float, number: int, volts: float = 12, starts: int = 1, ran: int = 0):
    """The node's message; `ran` is its uptime in counts of 0.1 s."""
    supply = round(100 * volts).to_bytes(2, "little")
    return kits.row(t, 0x300, supply + bytes([starts % 256, ran % 256, number % 16, 0, 0, 0]))


def slow(t: float):
    """Its other message."""
    return kits.row(t, 0x400, bytes(1))


def boot(t: float):
    """What it sends when it starts."""
    return kits.row(t, 0x500, bytes([7]))


def event(t: float, code: int = 9):
    """What the supervisor tells once: 9, that the loop opened."""
    return kits.row(t, 0x600, bytes([code]))
