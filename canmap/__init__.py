"""From CAN frames to typed vehicle-state records and findings.

    captures or bus -> frames -> signals -> records -> checks -> findings

    import canmap
    spec = canmap.load_spec("specs/cart/cart.yaml")
    result = canmap.inspect("captures/drop.log", spec, keep=["steering"])
    result.findings, result.records["steering"]

Nothing heavy is imported before it is used.
"""

from __future__ import annotations

TYPE_CHECKING = False  # typing takes its time, and the command line is to answer Ctrl-C from early on
if TYPE_CHECKING:
    from typing import Any

    from canmap.api.inspect import inspect, steps
    from canmap.api.transcribe import Transcript, transcribe
    from canmap.base.errors import CanmapError, CaptureError, DescriptionError, SpecError, UsageError
    from canmap.findings.finding import Finding, Kind, Severity
    from canmap.mapping.loader import load_spec
    from canmap.mapping.model import Spec
    from canmap.records.change import Change
    from canmap.records.columns import Records
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import About, Sink, Step

__version__ = "0.1.0"

_HOMES = {
    "About": "canmap.stream.sink",
    "CanmapError": "canmap.base.errors",
    "CaptureError": "canmap.base.errors",
    "Change": "canmap.records.change",
    "DescriptionError": "canmap.base.errors",
    "Finding": "canmap.findings.finding",
    "Inspection": "canmap.results.inspection",
    "Kind": "canmap.findings.finding",
    "Records": "canmap.records.columns",
    "Severity": "canmap.findings.finding",
    "Sink": "canmap.stream.sink",
    "Spec": "canmap.mapping.model",
    "SpecError": "canmap.base.errors",
    "Step": "canmap.stream.sink",
    "Transcript": "canmap.api.transcribe",
    "UsageError": "canmap.base.errors",
    "inspect": "canmap.api.inspect",
    "load_spec": "canmap.mapping.loader",
    "steps": "canmap.api.inspect",
    "transcribe": "canmap.api.transcribe",
}

__all__ = [
    "About",
    "CanmapError",
    "CaptureError",
    "Change",
    "DescriptionError",
    "Finding",
    "Inspection",
    "Kind",
    "Records",
    "Severity",
    "Sink",
    "Spec",
    "SpecError",
    "Step",
    "Transcript",
    "UsageError",
    "inspect",
    "load_spec",
    "steps",
    "transcribe",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        import importlib  # noqa: PLC0415

        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'canmap' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names, those that are not imported yet included, so that they complete in a shell."""
    return sorted({*__all__, *(name for name in globals() if name.startswith("__"))})
