"""Simulator: how the recorder of a vehicle is set up: one for all its buses, or one for each."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from canmap.simulator.buses.loose_plug import LoosePlug

FAR_CHANNEL = "far"  # until it is in a capture of its own, where its channel is called as the near one's


class FarRecorder(NamedTuple):
    """Another recorder on the first bus.

    Attributes:
        node: Beside which it is.
        offset_ns: Its clock is ahead by this at the start.
        drift_ppb: And gains this many ns in each second.
    """

    node: str
    offset_ns: int = 0
    drift_ppb: int = 0


@dataclass(slots=True)
class RecorderSetup:
    """How it is set up, rightly or wrongly.

    Attributes:
        batch_ns: It fetches frames that often, 0: it stamps each on receipt.
        jitter_ns: Of stamps, evenly spread over 0 to this.
        raster_ns: Stamps are cut to multiples of this.
        error_frames: It reports error frames.
        only: Identifiers that its filter lets through, None: all.
        left_out: Identifiers that its filter holds back.
        offset_ns: The second bus has a recorder of its own, whose clock is ahead by this at the start.
        drift_ppb: And gains this many ns in each second.
        apart: And writes a capture of its own.
        swapped: The first bus is recorded as the second channel and the other way round.
        misread: Buses that are recorded at a wrong bit rate, by name.
        loose: Its plugs that make bad contact.
        far: Another recorder on the first bus, which writes a capture of its own, None: there is none.
        cut_short: The capture ends in the middle of a line.
    """

    batch_ns: int = 0
    jitter_ns: int = 20_000
    raster_ns: int = 1_000
    error_frames: bool = True
    only: frozenset[int] | None = None
    left_out: set[int] = field(default_factory=set)
    offset_ns: int = 0
    drift_ppb: int = 0
    apart: bool = False
    swapped: bool = False
    misread: set[str] = field(default_factory=set)
    loose: list[LoosePlug] = field(default_factory=list)
    far: FarRecorder | None = None
    cut_short: bool = False

    @property
    def two_clocks(self) -> bool:
        """Whether frames are stamped by different clocks."""
        far = self.far is not None and bool(self.far.offset_ns or self.far.drift_ppb)
        return bool(self.offset_ns or self.drift_ppb) or far
