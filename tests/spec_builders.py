"""Builders for tests of the mapping spec: a small description, and a spec from a few lines of YAML."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.mapping.description.description import DescribedMessage, DescribedSignal, Description
from canmap.mapping.loader import build_spec

if TYPE_CHECKING:
    from canmap.mapping.model import Spec

VEHICLE = Path(__file__).parent / "data" / "utility_vehicle" / "vehicle.yaml"


def signal(name: str, start_bit: int, bits: int, unit: str = "", **changes) -> DescribedSignal:
    values = {
        "big_endian": False,
        "signed": False,
        "is_float": False,
        "factor": Fraction(1),
        "offset": Fraction(0),
        "minimum": None,
        "maximum": None,
        "labels": {},
    }
    return DescribedSignal(name=name, start_bit=start_bit, bits=bits, unit=unit, **{**values, **changes})


def message(name: str, can_id: int, *signals: DescribedSignal, **changes) -> DescribedMessage:
    values = {"extended": False, "length": 8, "sender": "SteerNode", "period_ns": 10_000_000}
    return DescribedMessage(name=name, can_id=can_id, signals=signals, **{**values, **changes})


KIT = Description(
    "kit.dbc",
    (
        message(
            "SteerFeedback",
            0x101,
            signal("Angle", 0, 16, "deg", signed=True, factor=Fraction(1, 10)),
            signal("Fine", 16, 8, "deg", signed=True, factor=Fraction(1, 100)),
            signal("Homed", 24, 1),
            signal("State", 32, 3, labels={0: "Off", 1: "Standby", 2: "Ready", 3: "Active", 7: "SNA"}),
            signal("Odd", 40, 8, "furlong"),
            signal("Share", 48, 8),
        ),
        message(
            "DriveFeedback",
            0x102,
            signal("Speed", 0, 16, "km/h", factor=Fraction(1, 20)),
            signal("Float", 32, 32, "km/h", is_float=True),
            period_ns=None,
            sender=None,
        ),
    ),
)

HEAD = """\
vehicle: Test cart
buses:
  drive: {description: kit.dbc}
"""


def spec_of(folder: Path, text: str, head: str = HEAD, description: Description = KIT, **options) -> Spec:
    """Build the spec of `head` and `text`; the lines of `text` start behind the three of `HEAD`."""
    path = folder / "spec.yaml"
    path.write_text(head + text, encoding="utf-8")
    (folder / "kit.dbc").touch()
    return build_spec(str(path), lambda _: description, **options)
