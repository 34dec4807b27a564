"""Simulator: a scenario to a capture with its truth beside it, or to a virtual bus at true pace.

Same files and seed, same bytes of a `.log`. Live frames go to python-can's `virtual` interface only, which
ends at the border of the process: nothing here can reach a vehicle.
"""

from __future__ import annotations

from dataclasses import replace
from os import SEEK_END
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.errors import CaptureError
from canmap.frames.capture_formats import written_channels
from canmap.frames.chunks import join
from canmap.outputs.captures.writers import require_written, write_frames
from canmap.outputs.files import is_direct, whole_files
from canmap.outputs.guard import begins, guard_output
from canmap.simulator.buses.recorder_setup import FAR_CHANNEL
from canmap.simulator.cart.nodes import MS
from canmap.simulator.truth import truth, truth_head, truth_text
from canmap.simulator.wires import recorded, recorded_live

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.cart.world import Setup
    from canmap.simulator.scenario.scenario import Scenario

LIVE_SLICE_NS = 20 * MS
STAMP_NS = 1000  # what recorders tell a stamp to
LONGEST_LINE = 400  # bytes of a .log


@dataclass(frozen=True, slots=True)
class Simulation:
    """What a run gave.

    Attributes:
        frames: Frames recorded.
        faults: Faults in it.
        truth_path: Where the truth was written.
        channels: Each channel, and what it is called in the capture.
        second_capture: Capture of the second bus, None where both are in one.
        far_capture: Capture of the far recorder, None where there is none.
    """

    frames: int
    faults: int
    truth_path: str
    channels: Mapping[str, str]
    second_capture: str | None = None
    far_capture: str | None = None


def truth_path(capture: str) -> str:
    """Return where the truth of a capture stands: beside it, as .yaml."""
    return str(Path(capture).with_suffix(".yaml"))


def simulate_to_file(scenario: Scenario, capture: str, *, overwrite: bool = False) -> Simulation:
    """Run a scenario once; write what the recorder got to `capture`, and the truth beside it.

    The ending of `capture` tells its format; a frame that this cannot hold is left out. The files appear
    together, with the capture of the second bus, where that has one of its own, and of the far recorder. A
    capture with its truth that this wrote before may be replaced.

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
    others, guarded = other_captures(scenario, capture), [*scenario.files, capture, beside]
    replaces = overwrite or begins(beside, own)
    for other in others.values():
        guard_output(other, guarded, overwrite=replaces)
        guarded.append(other)
    recording = _Recording(scenario)
    with whole_files(beside, capture, *others.values()) as (truth_file, *written):
        frames = -_write(written, tuple(others), recording, scenario.setup)
        frames += recording.frames
        if scenario.setup.plan.recording.cut_short:
            frames -= sum(_cut_last_line(path) for path in written)
        described = truth(scenario, name, recording.first_ns, frames)
        described |= {f"{which}_capture": Path(path).name for which, path in others.items()}
        Path(truth_file).write_text(truth_text(described), encoding="utf-8", errors="backslashreplace")
    channels = written_channels(scenario.setup.kind.channels, Path(capture).suffix.lower())
    return Simulation(frames, len(scenario.faults), beside, channels, others.get("second"), others.get("far"))


def other_captures(scenario: Scenario, capture: str) -> dict[str, str]:
    """Return where other captures stand, beside the first: of the `second` bus, of the `far` recorder."""
    setup, path = scenario.setup, Path(capture)
    how, chassis = setup.plan.recording, setup.kind.chassis
    names = {"second": chassis.name} if chassis is not None and how.apart else {}
    names |= {"far": how.far.node} if how.far is not None else {}
    return {which: str(path.with_name(f"{path.stem}_{name}{path.suffix}")) for which, name in names.items()}


def _write(paths: list[str], others: tuple[str, ...], recording: _Recording, setup: Setup) -> int:
    """Write the first capture, and the others; return how many frames were left out."""
    if len(paths) == 1:
        return write_frames(paths[0], recording)
    whole, channels = join(list(recording)), setup.kind.channels
    of_other = {"second": channels[-1], "far": FAR_CHANNEL}
    told_apart = [of_other[which] for which in others]
    held = [[each for each in channels if each not in told_apart], *([each] for each in told_apart)]
    left_out = 0
    for path, own in zip(paths, held, strict=True):
        rows = np.isin(whole.channel, [whole.channels.index(each) for each in own if each in whole.channels])
        frames = whole.take(rows)
        if own == [FAR_CHANNEL]:
            frames = replace(frames, channels=channels[:1], channel=np.zeros_like(frames.channel))
        left_out += write_frames(path, [frames])
    return left_out


def _cut_last_line(path: str) -> int:
    """Leave half of the last line of a text capture; return how many frames that costs."""
    if Path(path).suffix.lower() != ".log" or is_direct(path):
        return 0
    with Path(path).open("r+b") as file:
        size = file.seek(0, SEEK_END)
        file.seek(max(0, size - LONGEST_LINE))
        line = file.read().removesuffix(b"\n").rpartition(b"\n")[2]
        file.truncate(size - 1 - len(line) // 2)
    return int(bool(line))


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
                if not self.frames:
                    self.first_ns = self._true_ns(chunk)
                self.frames += len(chunk)
                yield replace(chunk, t_ns=chunk.t_ns // STAMP_NS * STAMP_NS)
        if not self.frames:
            name = self._scenario.path
            raise CaptureError(
                f"Nothing was recorded of {name}: check that its script switches the vehicle on."
            )

    def _true_ns(self, chunk: FrameChunk) -> int:
        """Return the stamp that its first frame has by the clock of the first bus.

        Where there are several captures, it is the first frame of the first bus.
        """
        setup = self._scenario.setup
        second = [chunk.channels[each] != setup.kind.channels[0] for each in chunk.channel.tolist()]
        how = setup.plan.recording
        row = second.index(False) if (how.apart or how.far) and False in second else 0
        return int(chunk.t_ns[row]) - how.offset_ns * int(second[row])


def live_chunks(scenario: Scenario) -> Iterator[FrameChunk]:
    """Run a scenario once; yield what is recorded in short slices, each before its time has come."""
    for chunk in recorded_live(scenario.setup, LIVE_SLICE_NS):
        near = np.array([name != FAR_CHANNEL for name in chunk.channels])
        yield chunk if near.all() else chunk.take(near[chunk.channel])
