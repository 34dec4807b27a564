"""Simulator: what a scenario says of its recorder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import integer, list_of, placed_text, quantity, time_ns, yes_no
from canmap.simulator.buses.recorder_setup import FarRecorder, RecorderSetup

if TYPE_CHECKING:
    from canmap.mapping.reading.mistakes import Faults
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import VehicleKind

BATCH = Key("batch", time_ns)
JITTER = Key("jitter", time_ns)
RASTER = Key("raster", time_ns)
ERROR_FRAMES = Key("error_frames", yes_no)
ONLY = Key("only", list_of(integer(0, 0x1FFFFFFF), "identifiers"))
OFFSET = Key("offset", quantity("s"))
DRIFT = Key("drift", quantity("1"))
APART = Key("own_capture", yes_no)
SECOND = Key("second", Section("the second recorder", (OFFSET, DRIFT, APART)))
FAR_AT = Key("at", placed_text, required=True)
FAR = Key("far", Section("the far recorder", (FAR_AT, OFFSET, DRIFT)))
_PARTS = (BATCH, JITTER, RASTER, ERROR_FRAMES, ONLY, SECOND, FAR)
RECORDER = Key("recorder", Section("the recorder", _PARTS))


def recorder_setup(values: SectionValues | None) -> RecorderSetup:
    """Return how the recorder is set up, as far as the scenario says."""
    setup = RecorderSetup()
    if values is None:
        return setup
    setup.batch_ns = values.get(BATCH) or 0
    setup.jitter_ns = values.get(JITTER) or setup.jitter_ns
    setup.raster_ns = values.get(RASTER) or setup.raster_ns
    setup.error_frames = values.get(ERROR_FRAMES) is not False
    only, second = values.get(ONLY), values.get(SECOND)
    setup.only = None if only is None else frozenset(only)
    if second is not None:
        setup.offset_ns, setup.drift_ppb = _clock(second)
        setup.apart = second.get(APART) is True
    far = values.get(FAR)
    if far is not None and (node := far.get(FAR_AT)):
        setup.far = FarRecorder(node.text, *_clock(far))
    return setup


def _clock(values: SectionValues) -> tuple[int, int]:
    """Return how far a clock is off, ns, and what it gains, ns in each second."""
    offset, drift = values.get(OFFSET), values.get(DRIFT)
    return round(float(offset.si) * 1e9) if offset else 0, round(float(drift.si) * 1e9) if drift else 0


def check_recorder(values: SectionValues | None, kind: VehicleKind, faults: Faults) -> None:
    """Refuse a far recorder at a node that the first bus has not."""
    far = values.get(FAR) if values else None
    node = far.get(FAR_AT) if far else None
    if node is not None and node.text not in kind.nodes:
        hint = faults.hint(node.text, kind.nodes)
        faults.add(node.place, f"`{node.text}` is not a node of the {kind.drive.name} bus{hint}")
