"""From CAN frames to typed vehicle-state records and findings.

    captures or bus -> frames -> signals -> records -> checks -> findings

    import canmap
    spec = canmap.load_spec("specs/cart/cart.yaml")
    result = canmap.inspect("captures/drop.log", spec, keep=["steering"])
    result.findings, result.records["steering"]

Nothing heavy is imported before it is used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from canmap.api import inspect
    from canmap.checks.finding import Finding, Kind, Severity
    from canmap.errors import CanmapError, CaptureError, DescriptionError, SpecError, UsageError
    from canmap.inspection import Inspection
    from canmap.records.columns import Records
    from canmap.spec.loader import load_spec
    from canmap.spec.model import Spec
    from canmap.transcript import Transcript, transcribe

__version__ = "0.1.0"

_HOMES = {
    "CanmapError": "canmap.errors",
    "CaptureError": "canmap.errors",
    "DescriptionError": "canmap.errors",
    "Finding": "canmap.checks.finding",
    "Inspection": "canmap.inspection",
    "Kind": "canmap.checks.finding",
    "Records": "canmap.records.columns",
    "Severity": "canmap.checks.finding",
    "Spec": "canmap.spec.model",
    "SpecError": "canmap.errors",
    "Transcript": "canmap.transcript",
    "UsageError": "canmap.errors",
    "inspect": "canmap.api",
    "load_spec": "canmap.spec.loader",
    "transcribe": "canmap.transcript",
}

__all__ = [
    "CanmapError",
    "CaptureError",
    "DescriptionError",
    "Finding",
    "Inspection",
    "Kind",
    "Records",
    "Severity",
    "Spec",
    "SpecError",
    "Transcript",
    "UsageError",
    "inspect",
    "load_spec",
    "transcribe",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'canmap' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names, those that are not imported yet included, so that they complete in a shell."""
    return sorted({*__all__, *(name for name in globals() if name.startswith("__"))})
