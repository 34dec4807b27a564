"""Simulator: what a scenario says of its recorder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import integer, list_of, quantity, time_ns, yes_no
from canmap.simulator.buses.recorder_setup import RecorderSetup

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues

BATCH = Key("batch", time_ns)
JITTER = Key("jitter", time_ns)
RASTER = Key("raster", time_ns)
ERROR_FRAMES = Key("error_frames", yes_no)
ONLY = Key("only", list_of(integer(0, 0x1FFFFFFF), "identifiers"))
OFFSET = Key("offset", quantity("s"))
DRIFT = Key("drift", quantity("1"))
APART = Key("own_capture", yes_no)
SECOND = Key("second", Section("the second recorder", (OFFSET, DRIFT, APART)))
RECORDER = Key("recorder", Section("the recorder", (BATCH, JITTER, RASTER, ERROR_FRAMES, ONLY, SECOND)))


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
        offset, drift = second.get(OFFSET), second.get(DRIFT)
        setup.offset_ns = round(float(offset.si) * 1e9) if offset else 0
        setup.drift_ppb = round(float(drift.si) * 1e9) if drift else 0
        setup.apart = second.get(APART) is True
    return setup
