"""Frames, MDF 4 bus logs (`.mf4`): the groups of CAN events to chunks, in the order of their stamps.

In: a file. Out: chunks; the line of a frame is its place in that order. Data, remote and error frames stand
in groups of their own, as ASAM's bus logging lays down. Where groups share the data, their frames stay in the
order of the data. A file that its recorder did not close is read as far as it goes.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import CaptureError
from canmap.frames.binary.gather import BadObjects, sifted
from canmap.frames.binary.mdfblocks import DamagedError, MdfBlocks, data_groups
from canmap.frames.binary.mdfruns import Run
from canmap.frames.binary.wholefile import whole_file
from canmap.frames.chunks import FrameChunk, empty_chunk, join
from canmap.frames.content import packed_bytes
from canmap.frames.unread import cut_short

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

NO_TIME = "the stamp does not fit nanoseconds in 64 bits"


def read_mdf(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of an MDF 4 capture.

    Raises:
        CaptureError: It cannot be read, or holds no CAN bus log.
    """
    with whole_file(name, stream, ".mf4") as path, Path(path).open("rb") as file:
        try:
            blocks = MdfBlocks(file, packed_bytes(stream, Path(path).stat().st_size))
            start_ns, groups = data_groups(blocks)
            runs = [run for group in groups if (run := Run(blocks, group, start_ns)).has_events]
        except DamagedError as damage:
            raise CaptureError(f"{name}: the MDF file is damaged ({damage}); copy it again.") from None
        if not runs:
            raise CaptureError(f"{name}: the MDF file holds no CAN bus log; give one that does.")
        line = 1
        for chunk in _merged(runs):
            chunk.line[:] = np.arange(line, line + len(chunk))
            yield sifted(chunk, name)
            line += len(chunk)
        bad = BadObjects()
        bad.add_all(np.full(sum(run.timeless for run in runs), line), NO_TIME)
        for why in dict.fromkeys(run.damage for run in runs if run.damage):
            bad.add(line, why)
        if blocks.lacks and not bad.count:
            bad.add(line, cut_short("the recorder did not close it"))
        yield sifted(empty_chunk(), name, bad)


def _merged(runs: list[Run]) -> Iterator[FrameChunk]:
    """Yield the events of all runs in the order of their stamps; of each run one chunk is held."""
    sources = [run.chunks() for run in runs]
    heads = [next(source, None) for source in sources]
    while waiting := [head for head in heads if head is not None]:
        limit_ns = min(int(head.t_ns.max()) for head in waiting)  # stamps may step back
        parts = []
        for number, head in enumerate(heads):
            if head is None:
                continue
            newest = np.maximum.accumulate(head.t_ns)
            count = int(np.searchsorted(newest, limit_ns, side="right"))
            parts.append((head.take(slice(0, count)), newest[:count]))
            left = head.take(slice(count, None))
            heads[number] = left if len(left) else next(sources[number], None)
        chunk = join(part for part, _ in parts)
        yield chunk.take(np.argsort(np.concatenate([newest for _, newest in parts]), kind="stable"))
