"""The same frames through `extract` and through cantools, frame by frame, in one shape."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import cantools
import numpy as np
import pytest

from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH
from canmap.signals import extract as extract_module
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan

Frame = tuple[int, bool, bytes]  # identifier, 29-bit, payload


def columns(frames: Sequence[Frame], width: int | None = None) -> dict[str, Any]:
    """Return the frames as columns: can_id, extended, length, payload."""
    if width is None:
        width = CLASSIC_WIDTH if all(len(data) <= CLASSIC_WIDTH for _, _, data in frames) else FD_WIDTH
    payload = np.zeros((len(frames), width), np.uint8)
    for row, (_, _, data) in enumerate(frames):
        payload[row, : len(data)] = np.frombuffer(data, np.uint8)
    return {
        "can_id": np.array([frame[0] for frame in frames], np.uint32),
        "extended": np.array([frame[1] for frame in frames], np.bool_),
        "length": np.array([len(frame[2]) for frame in frames], np.uint8),
        "payload": payload,
    }


def run(plan: DecodePlan, frames: Sequence[Frame], width: int | None = None) -> Samples:
    """Extract `frames`, all of bus 0: in tiles, and the same group by group."""
    cut = columns(frames, width)
    slot = plan.slots_of(np.zeros(len(frames), np.int8), cut["can_id"], cut["extended"])
    found = []
    for many in (1 << 30, 0):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(extract_module, "MANY_FRAMES", many)
            found.append(extract_module.extract(plan, cut["payload"], cut["length"], slot))
    assert np.array_equal(found[0].raw, found[1].raw)
    return found[1]


def by_frame(
    plan: DecodePlan, samples: Samples, count: int
) -> list[dict[str, tuple[int | None, float | None]]]:
    """Return signal to (raw, physical) for each frame; (None, None) where not valid.

    Raw values of unsigned signals of 64 bits come as what they are, those of IEEE numbers as bit patterns.
    """
    result: list[dict[str, tuple[int | None, float | None]]] = [{} for _ in range(count)]
    for number, column in enumerate(plan.columns):
        raw = samples.values(number)
        if column.kind is not ColumnKind.INTEGER:
            raw = raw.view(np.uint64)
        part = slice(samples.column_start[number], samples.column_start[number + 1])
        valid = np.ones(len(raw), np.bool_) if samples.valid is None else samples.valid[part]
        positions = samples.positions(number)
        assert len(positions) == len(raw)
        assert np.all(np.diff(positions) > 0)
        assert np.all(raw[~valid] == 0)
        for row, value, physical, good in zip(positions, raw, samples.physical(number), valid, strict=True):
            result[row][column.signal.name] = (int(value), float(physical)) if good else (None, None)
    return result


def cantools_decode(message: Any, data: bytes, *, scaling: bool) -> dict[str, float] | None:
    """Return what cantools makes of a payload; None where it knows no signals for a selector value."""
    try:
        decoded: dict[str, float] = message.decode(
            data, decode_choices=False, scaling=scaling, allow_truncated=True
        )
    except cantools.database.DecodeError:
        return None
    return decoded


def same_number(ours: float, theirs: float, scale: float) -> bool:
    """Return whether two results of raw * factor + offset agree; `scale` is the largest number on the way."""
    if math.isnan(theirs) or math.isinf(theirs):
        return ours == theirs or (math.isnan(ours) and math.isnan(theirs))
    return abs(ours - theirs) <= 1e-12 * max(abs(theirs), scale)


def compare(frame: dict[str, tuple[int | None, float | None]], message: Any, data: bytes) -> bool:
    """Hold one frame of `by_frame` against cantools; return whether cantools could decode it."""
    raw, scaled = (cantools_decode(message, data, scaling=scaling) for scaling in (False, True))
    if raw is None or scaled is None:
        return False
    valid = {name: value for name, value in frame.items() if value[0] is not None}
    assert valid.keys() == raw.keys()
    for name, (our_raw, our_physical) in valid.items():
        signal = message.get_signal_by_name(name)
        assert our_raw is not None
        assert our_physical is not None
        if signal.is_float:
            pattern = our_raw.to_bytes(signal.length // 8, "little")
            number = float(np.frombuffer(pattern, f"<f{signal.length // 8}")[0])
            assert same_number(number, float(raw[name]), 0), (name, data.hex())
        else:
            number = our_raw
            assert our_raw == raw[name], (name, data.hex())
        scale = max(abs(float(number) * signal.scale), abs(signal.offset))
        assert same_number(our_physical, float(scaled[name]), scale), (name, data.hex())
    return True
