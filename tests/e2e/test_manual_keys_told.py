"""What a manual says of lags, slews, holds and trouble codes, from a capture to the JSON and the screen."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.outputs.captures.writers import write_frames
from tests.e2e.shell import canmap
from tests.kits import row, spec_of
from tests.published import trouble_codes
from tests.streams import frames

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "vehicle: Tractor\nbuses: {drive: {description: kit.dbc, channel: can0, match: parameter_group}}\n"
KIT = f"""\
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
BO_ 512 Command: 8 Other
 SG_ Angle : 0|8@1+ (0.5,0) [0|0] "deg" Node
BO_ 1024 Pedal: 8 Node
 SG_ First : 0|8@1+ (0.5,0) [0|100] "%" Other
BO_ 1280 PedalB: 8 Node
 SG_ Second : 0|8@1+ (0.5,0) [0|100] "%" Other
BO_ {0x18FECA00 | 1 << 31} Codes: 8 Node
 SG_ Lamps : 0|16@1+ (1,0) [0|0] "" Other
"""
END = 'VAL_ 256 State 2 "Ready" 3 "Active" ;\n'
TEXT = """\
state_machines: {arm: {signal: Kit.State}}
demands:
  Command:
    watchdog: 120 ms
    state_machine: arm
    reaction: {first: hold, for: 500 ms, then: stop}
    slew: {Angle: 100 deg/s}
redundant:
  at one time: {signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 1 %, lag: 40 ms}
  as they come: {signals: [Pedal.First, PedalB.Second], slope: half, tolerance: 1 %}
trouble_codes: {Codes: {}}
"""


def rows() -> list[tuple[int, str, int, bytes]]:
    """The axis lets go 217 ms after its last demand; the second pedal lags by 40 ms; five trouble codes."""
    made = [row(t, 0x100, bytes([3 if t < 1200 else 2, *bytes(7)])) for t in range(0, 2000, 10)]
    made += [row(t, 0x200, bytes([40 if t < 500 else 52, *bytes(7)])) for t in range(3, 1000, 20)]
    late = [t + 14 * (t > 1000) for t in range(0, 2000, 10)]  # by no whole number of periods
    made += [row(t + 2, 0x400, bytes([min(t // 10, 200), *bytes(7)])) for t in late]
    made += [row(t + 2.5, 0x500, bytes([max(t - 40, 0) // 20, *bytes(7)])) for t in range(0, 2000, 20)]
    codes = trouble_codes()[2].frames
    return sorted(made + [row(1700 + 50 * i, *frame) for i, frame in enumerate(codes)])


def test_the_findings_in_the_json_and_on_the_screen(tmp_path: Path) -> None:
    periods = {0x100: 10, 0x200: 20, 0x400: 10, 0x500: 20, 0x18FECA00 | 1 << 31: 1000}
    spec_of(tmp_path, KIT, TEXT, head=HEAD, end=END, periods_ms=periods)
    chunk, path = frames(rows()), tmp_path / "drive.log"
    write_frames(str(path), [replace(chunk, extended=chunk.can_id > 0x7FF)])
    result = tmp_path / "result.json"
    screen = canmap("inspect", path, "--spec", tmp_path / "spec.yaml", "--json", result).stdout
    found = json.loads(result.read_text(encoding="utf-8"))["findings"]
    assert sorted(one["facts"]["spn"] for one in found if one["kind"] == "fault_reported") == [
        *(100, 110, 190, 1208, 524286)
    ]
    assert [one["facts"]["pair"] for one in found if one["kind"] == "disagree"] == ["as they come"]
    (slew,) = [one for one in found if one["kind"] == "slew"]
    assert (slew["value"], slew["limit"], slew["facts"]["unit"]) == (300, 100, "deg/s")
    assert "unknown_id" not in {one["kind"] for one in found}
    assert (
        "arm let go 217 ms after the last fresh Command, before its hold was over; its watchdog is" in screen
    )
    assert "Codes comes in packets where it tells several codes: the silence and rate of its single" in screen
    assert "Whether frames of Pedal were lost is not told: there is no counter, and they come too" in screen
