"""Runs of the simulated cart for tests, and what its frames say, decoded by cantools."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import cantools
import numpy as np
import yaml

from canmap.frames.chunks import FrameKind, join
from canmap.simulator.recorders import EPOCH_NS
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.truth import truth
from canmap.simulator.wires import recorded, recorded_live
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.scenario.scenario import Scenario

CART_FOLDER = CART.parent
SCENARIOS = CART_FOLDER / "scenarios"
MS = 1_000_000
# Enabled at 1.5 s, at speed from 5 s on, in a slow bend throughout.
DRIVE = f"""
scenario: Drive
spec: {CART}
seed: 5
duration: 12 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 1.5 s, computer: enable}}
  - {{at: 2 s, computer: drive, speed: 8 km/h}}
  - {{at: 4 s, computer: turn, angle: 200 deg, rate: 25 deg/s}}
"""


def short_drive(duration_s: float) -> str:
    """`DRIVE`, over after so long."""
    lines = DRIVE.replace("12 s", f"{duration_s:g} s").splitlines(keepends=True)
    moments = [re.search(r"at: ([0-9.]+) s", line) for line in lines]
    return "".join(
        line
        for line, moment in zip(lines, moments, strict=True)
        if moment is None or float(moment[1]) < duration_s
    )


@cache
def databases() -> dict[str, cantools.database.Database]:
    """The bus descriptions, by channel, as cantools reads them."""
    return {
        channel: cantools.database.load_file(str(CART_FOLDER / name))
        for channel, name in (("can0", "kit.dbc"), ("can1", "chassis.dbc"))
    }


class Heard(NamedTuple):
    """One message: times in true seconds from power-on (unless the recorder is wrong), signals by name."""

    t_s: np.ndarray
    signals: dict[str, np.ndarray]

    def __getitem__(self, name: str) -> np.ndarray:
        return self.signals[name]

    def within(self, start_s: float, stop_s: float) -> Heard:
        """What was heard in a span."""
        rows = (self.t_s >= start_s) & (self.t_s < stop_s)
        return Heard(self.t_s[rows], {name: column[rows] for name, column in self.signals.items()})

    def __len__(self) -> int:
        return len(self.t_s)


class Run(NamedTuple):
    """What was recorded of a scenario, and its truth."""

    chunk: FrameChunk
    truth: dict

    def rows(self, channel: str, can_id: int) -> np.ndarray:
        """Where the data frames with an identifier stand."""
        index = self.chunk.channels.index(channel)
        chunk = self.chunk
        return np.flatnonzero(
            (chunk.channel == index) & (chunk.can_id == can_id) & (chunk.kind == FrameKind.DATA)
        )

    def times(self, rows: np.ndarray) -> np.ndarray:
        """Stamps in seconds from power-on."""
        return (self.chunk.t_ns[rows] - EPOCH_NS) / 1e9

    def heard(self, message: str, channel: str = "can0") -> Heard:
        """All frames of a message, decoded."""
        described = databases()[channel].get_message_by_name(message)
        rows = self.rows(channel, described.frame_id)
        decoded = [
            described.decode(
                self.chunk.payload[row, : self.chunk.length[row]].tobytes(),
                decode_choices=False,
                allow_truncated=False,
            )
            for row in rows
        ]
        names = [signal.name for signal in described.signals]
        signals = {name: np.array([float(each.get(name, np.nan)) for each in decoded]) for name in names}
        return Heard(self.times(rows), signals)

    @property
    def fault(self) -> dict:
        """The truth of the only fault."""
        (only,) = self.truth["faults"]
        return only


def scenario_of(
    folder: Path, script: str = DRIVE, faults: str | None = None, seed: int | None = None
) -> Scenario:
    """A scenario from its text, and faults as the items of a YAML list."""
    path, faults_path = folder / "scenario.yaml", folder / "faults.yaml"
    path.write_text(script, encoding="utf-8")
    if faults is not None:
        faults_path.write_text(f"faults:\n  - {faults}\n", encoding="utf-8")
    return load_scenario(str(path), None if faults is None else str(faults_path), seed)


def run_of(folder: Path, script: str = DRIVE, faults: str | None = None, seed: int | None = None) -> Run:
    """Run a scenario."""
    scenario = scenario_of(folder, script, faults, seed)
    return run(scenario)


def run(scenario: Scenario, *, live: bool = False) -> Run:
    """Run a loaded scenario, in one of the two ways."""
    pieces = recorded_live(scenario.setup, 250 * MS) if live else recorded(scenario.setup)
    chunk = join([piece for piece in pieces if len(piece)])
    told = truth(scenario, "run.log", EPOCH_NS, len(chunk))
    return Run(chunk, yaml.safe_load(yaml.safe_dump(told)))


def is_protected(payload: bytes, checksum_byte: int, data_id: int) -> bool:
    """Whether the checksum is that of E2E profile 1, bit by bit as its specification has it."""
    value = 0
    rest = payload[:checksum_byte] + payload[checksum_byte + 1 :]
    for byte in (data_id & 0xFF, data_id >> 8, *rest):
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ (0x1D if value & 0x80 else 0)) & 0xFF
    return value == payload[checksum_byte]
