"""What must hold for any bytes that are given to a reader: a result, findings or one clear error, and soon.

Readers of captures give frames and bad lines, the reader of bus descriptions a description, the loader of
specs a spec that the engine can run. Whatever else happens is a fault of the program.
"""

from __future__ import annotations

import io
import json
import re
import tempfile
import time
import zlib
from collections import Counter
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import canmap
from canmap.base.errors import CaptureError, FaultyFileError
from canmap.engine.engine import Engine
from canmap.frames.chunks import FrameChunk, empty_chunk
from canmap.frames.readers import READERS, open_captures
from canmap.mapping.description.load import load_description
from canmap.results.inspection import conclude
from tests.texts import PARTED, SPEC_FILES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.mapping.model import Spec

LONGEST_S = 5.0
REASON_WORDS = 400  # characters that a reason may have at most
PACKED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ\0")  # what compressed files begin with: gzip, bzip2, xz
FRAMES = 40  # that a spec is tried with
_UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def outcome(ending: str, data: bytes) -> str:
    """Read `data` as a capture of a format; return what came of it.

    Raises:
        AssertionError: It took too long, or what came is not in order.
    """
    found: Counter[str] = Counter()
    text = "fuzz: "
    with _soon():
        try:
            for chunk in chunks_of(ending, data):
                sound(chunk)
                found.update(frames=len(chunk), bad=chunk.bad_count)
        except CaptureError as error:
            text = str(error)
            found.update(error=1)
    assert "fuzz: " in text, text
    assert not _UNSHOWN.search(text), text
    return (
        "error" if found["error"] else "bad" if found["bad"] else "frames" if found["frames"] else "nothing"
    )


def description_outcome(ending: str, data: bytes) -> str:
    """Read `data` as a bus description; return what came of it. Raises as `outcome` does."""
    with _soon(), tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"fuzz{ending}"
        path.write_bytes(data)
        try:
            description = load_description(str(path))
        except FaultyFileError as error:
            _clear(error, folder)
            return "error"
    assert description.path == str(path)
    return "description" if description.messages else "nothing"


def spec_outcome(data: bytes) -> str:
    """Load a spec whose files `data` holds, and run what comes of it. Raises as `outcome` does."""
    with _soon(), tempfile.TemporaryDirectory() as folder:
        for name, part in zip(SPEC_FILES, data.split(PARTED), strict=False):
            (Path(folder) / name).write_bytes(part)
        try:
            spec = canmap.load_spec(str(Path(folder) / SPEC_FILES[0]))
        except FaultyFileError as error:
            _clear(error, folder)
            return "error"
        run_some(spec, zlib.crc32(data))
    return "spec" if spec.records else "nothing"


def run_some(spec: Spec, seed: int) -> None:
    """Give the engine random frames of what a spec describes, and take all that it says of them."""
    rng = np.random.default_rng(seed)
    known = [
        (number, message)
        for number, bus in enumerate(spec.buses.values())
        for message in bus.description.messages
    ]
    chunk = empty_chunk(tuple(bus.channel for bus in spec.buses.values()), FRAMES if known else 0, 64)
    chunk.t_ns[:] = np.cumsum(rng.integers(0, 200_000_000, len(chunk)))
    chunk.payload[:] = rng.integers(0, 256, chunk.payload.shape)
    for row, pick in enumerate(rng.integers(0, len(known) or 1, len(chunk))):
        chunk.channel[row], message = known[pick]
        chunk.can_id[row], chunk.extended[row] = message.can_id, message.extended
        chunk.length[row] = min(message.length, 64)
    engine = Engine(spec)
    for prepared in engine.prepared([chunk]):
        engine.fold(prepared)
    engine.finish()
    json.dumps(conclude(engine, ("fuzz",), {}).to_json(), allow_nan=False)


@contextmanager
def _soon() -> Iterator[None]:
    """Check that the block takes no longer than it may, in the time of all processors that it uses.

    The time on the wall depends on what else the machine does; who waits without end is found by the runner.
    """
    began = time.process_time()
    yield
    took = time.process_time() - began
    assert took < LONGEST_S, f"{took:.1f} s"


def _clear(error: FaultyFileError, folder: str) -> None:
    """Check that every fault is one sentence that names a file."""
    assert error.faults
    for fault in error.faults:
        assert fault.file.startswith(folder), fault
        assert fault.text.strip().endswith((".", "?")), fault
        assert not _UNSHOWN.search(fault.text), fault
        assert len(fault.text) < REASON_WORDS, fault


def chunks_of(ending: str, data: bytes) -> Iterator[FrameChunk]:
    """Yield the chunks of a capture that is given as bytes; compressed ones are unpacked first."""
    with tempfile.TemporaryDirectory() as folder:
        if data.startswith(PACKED):
            path = Path(folder) / f"fuzz: {ending}.gz"
            path.write_bytes(data)
            source = open_captures([str(path)])
        else:
            source = READERS[ending]("fuzz", io.BufferedReader(io.BytesIO(data)), lambda: (0, None))
        try:
            for piece in source.pieces():
                yield piece()
        finally:
            source.close()


def sound(chunk: FrameChunk) -> None:
    """Check that a chunk is in order."""
    count = len(chunk)
    assert chunk.payload.shape in {(count, 8), (count, 64)}
    assert chunk.payload.flags.c_contiguous
    for name, dtype in (
        ("t_ns", "i8"),
        ("can_id", "u4"),
        ("line", "i8"),
        ("length", "u1"),
        ("channel", "u1"),
    ):
        column = getattr(chunk, name)
        assert len(column) == count
        assert column.dtype.str[1:] == dtype
    if count:
        assert int(chunk.channel.max()) < len(chunk.channels)
        assert int(chunk.can_id.max()) < 1 << 29
        assert int(chunk.length.max()) <= 64
        assert int(chunk.kind.max()) <= 2
    assert chunk.bad_count >= len(chunk.bad)
    for bad in chunk.bad:
        assert 0 <= bad.position <= count
        assert bad.reason.strip()
        assert len(bad.reason) < REASON_WORDS
        assert bad.line >= 1 or bad.truncated
