"""Simulator: a scenario to a capture with its truth beside it, or to a virtual bus at true pace.

Same files and seed, same bytes. Live frames go to python-can's `virtual` interface only, which ends at the
border of the process: nothing here can reach a vehicle.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.errors import CaptureError, OutputError
from canmap.outputs.files import whole_text_file
from canmap.simulator.nodes import MS
from canmap.simulator.textlog import text_lines
from canmap.simulator.truth import truth, truth_text
from canmap.simulator.wires import recorded, recorded_live

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.chunks import FrameChunk
    from canmap.simulator.scenario import Scenario

CAPTURE_ENDING = ".log"
LIVE_SLICE_NS = 20 * MS


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run gave.

    Attributes:
        frames: Frames recorded.
        faults: Faults in it.
        truth_path: Where the truth was written.
    """

    frames: int
    faults: int
    truth_path: str


def truth_path(capture: str) -> str:
    """Return where the truth of a capture stands: beside it, as .yaml.

    Raises:
        OutputError: The capture's name does not end in .log.
    """
    path = Path(capture)
    if path.suffix != CAPTURE_ENDING:
        raise OutputError(f"{capture} is no name for a SocketCAN text log: let it end in {CAPTURE_ENDING}.")
    return str(path.with_suffix(".yaml"))


def simulate_to_file(scenario: Scenario, capture: str) -> Outcome:
    """Run a scenario once; write what the recorder got to `capture`, and the truth beside it.

    Raises:
        OutputError: One of the two files cannot be written, or the capture's name does not end in .log.
        CaptureError: Nothing was recorded; no file is left.
    """
    beside = truth_path(capture)
    for read in (scenario.path, scenario.faults_path):
        if read is not None and Path(read).resolve() == Path(beside).resolve():
            raise OutputError(f"The truth of {capture} would take the place of {read}: choose another name.")
    first_ns: int | None = None
    frames = 0
    with contextlib.ExitStack() as stack:
        told_to = stack.enter_context(whole_text_file(beside))
        log = stack.enter_context(whole_text_file(capture))
        for chunk in recorded(scenario.setup):
            if len(chunk):
                first_ns = int(chunk.t_ns[0]) if first_ns is None else first_ns
                frames += len(chunk)
                log.write(text_lines(chunk).decode("ascii"))
        if first_ns is None:
            raise CaptureError(f"Nothing was recorded of {scenario.path}: does its script switch on at all?")
        told_to.write(truth_text(truth(scenario, Path(capture).name, first_ns, frames)))
    return Outcome(frames, len(scenario.faults), beside)


def live_chunks(scenario: Scenario) -> Iterator[FrameChunk]:
    """Run a scenario once; yield what is recorded in short slices, each before its time has come."""
    return recorded_live(scenario.setup, LIVE_SLICE_NS)
