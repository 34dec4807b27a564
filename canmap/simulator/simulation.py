"""Simulator: a scenario to a capture with its truth beside it, or to a virtual bus at true pace.

Same files and seed, same bytes of a `.log`. Live frames go to python-can's `virtual` interface only, which
ends at the border of the process: nothing here can reach a vehicle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import CaptureError
from canmap.frames.capture_formats import written_channels
from canmap.outputs.captures.writers import require_written, write_frames
from canmap.outputs.files import whole_files
from canmap.outputs.guard import begins, guard_output
from canmap.simulator.cart.nodes import MS
from canmap.simulator.truth import truth, truth_head, truth_text
from canmap.simulator.wires import recorded, recorded_live

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.scenario.scenario import Scenario

LIVE_SLICE_NS = 20 * MS
STAMP_NS = 1000  # what recorders tell a stamp to


@dataclass(frozen=True, slots=True)
class Simulation:
    """What a run gave.

    Attributes:
        frames: Frames recorded.
        faults: Faults in it.
        truth_path: Where the truth was written.
        channels: Each channel, and what it is called in the capture.
    """

    frames: int
    faults: int
    truth_path: str
    channels: Mapping[str, str]


def truth_path(capture: str) -> str:
    """Return where the truth of a capture stands: beside it, as .yaml."""
    return str(Path(capture).with_suffix(".yaml"))


def simulate_to_file(scenario: Scenario, capture: str, *, overwrite: bool = False) -> Simulation:
    """Run a scenario once; write what the recorder got to `capture`, and the truth beside it.

    The ending of `capture` tells its format; a frame that this cannot hold is left out. The two files appear
    together. A capture with its truth that this wrote before may be replaced.

    Args:
        scenario: What to run.
        capture: The file to write.
        overwrite: Whether whatever exists may be replaced; never what is read.

    Raises:
        OutputError: One of the two files cannot be written, would replace another, or no capture
            has this ending.
        CaptureError: Nothing was recorded; no file is left.
    """
    require_written(capture)
    beside, name = truth_path(capture), Path(capture).name
    own = truth_head(name)
    guard_output(capture, scenario.files, overwrite=overwrite or begins(beside, own))
    guard_output(beside, (*scenario.files, capture), overwrite=overwrite, own=own)
    recording = _Recording(scenario)
    with whole_files(beside, capture) as (truth_file, written):
        frames = -write_frames(written, recording)
        frames += recording.frames
        text = truth_text(truth(scenario, name, recording.first_ns, frames))
        Path(truth_file).write_text(text, encoding="utf-8", errors="backslashreplace")
    channels = written_channels(scenario.setup.kind.channels, Path(capture).suffix.lower())
    return Simulation(frames, len(scenario.faults), beside, channels)


class _Recording:
    """What the recorder gets of a scenario, chunk by chunk.

    Attributes:
        frames: Frames so far.
        first_ns: Stamp of the first one.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self.frames = self.first_ns = 0

    def __iter__(self) -> Iterator[FrameChunk]:
        for chunk in recorded(self._scenario.setup):
            if len(chunk):
                self.first_ns = self.first_ns if self.frames else int(chunk.t_ns[0])
                self.frames += len(chunk)
                yield replace(chunk, t_ns=chunk.t_ns // STAMP_NS * STAMP_NS)
        if not self.frames:
            name = self._scenario.path
            raise CaptureError(
                f"Nothing was recorded of {name}: check that its script switches the vehicle on."
            )


def live_chunks(scenario: Scenario) -> Iterator[FrameChunk]:
    """Run a scenario once; yield what is recorded in short slices, each before its time has come."""
    return recorded_live(scenario.setup, LIVE_SLICE_NS)
