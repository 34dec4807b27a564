"""The sentences about the driver's override, and what it says of a signal's values."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import listed, seconds
from canmap.signals.extract import among, as_float64
from canmap.signals.limits import raw_limits
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.held_signals import Says
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.override_rules import OverrideRule
    from canmap.vocabulary.figures import Figures


def described(rule: OverrideRule, setting: Setting) -> DescribedSignal:
    """Return what the driver moves, as it is described."""
    ref = rule.signal
    return setting.plan.columns[setting.plan.column_of[ref.bus, ref.message, ref.signal]].signal


def says_override(rule: OverrideRule, setting: Setting) -> Says:
    """Return what tells of raw values whether they are beyond a threshold for sure, or maybe, and how far.

    A signal counts to the left as the field of a record does that takes it, or else as it is.
    """
    signal = described(rule, setting)
    fields = [field for record in setting.spec.records for field in record.fields]
    turned = any(field.sources == (rule.signal,) and field.factor < 0 for field in fields)
    up, down = (rule.right, rule.left) if turned else (rule.left, rule.right)

    def within(margin: Fraction) -> tuple[Fraction, Fraction]:
        return -max(down + margin, type(down)(0)), max(up + margin, type(up)(0))

    spans = [within(margin) for margin in (rule.tolerance, -rule.tolerance)]
    raw = [
        raw_limits(low, high, signal.factor, signal.offset, signal.bits, signal.signed) for low, high in spans
    ]

    def says(
        values: NDArray[np.int64], kind: ColumnKind
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
        plain = as_float64(values, kind, signal.bits) * float(signal.factor) + float(signal.offset)
        if kind is ColumnKind.FLOAT:
            sure, maybe = (~((plain >= float(low)) & (plain <= float(high))) for low, high in spans)
            return sure & np.isfinite(plain), maybe & np.isfinite(plain), np.abs(plain)
        sure, maybe = (~among(values, kind, [span]) for span in raw)
        return sure, maybe, np.abs(plain)

    return says


def name_of(rule: OverrideRule) -> str:
    """Return what sentences call what the driver moves."""
    return f"{rule.signal.message}.{rule.signal.signal}"


def threshold(rule: OverrideRule, unit: str, figures: Figures) -> str:
    """Return its threshold, or both of them: "4 Nm", "4 Nm to the left or 5 Nm to the right"."""
    left, right = (figures.difference(float(side), unit) for side in (rule.left, rule.right))
    return f"{left} to the left or {right} to the right" if rule.by_side else left


def nobody(rules: Sequence[OverrideRule], units: Sequence[str], figures: Figures) -> str:
    """Return that none of some signals was beyond its threshold for long enough."""
    said = [
        f"{name_of(rule)} had not been beyond {threshold(rule, unit, figures)}"
        + (f" for {seconds(rule.longer_than_ns)}" if rule.longer_than_ns else "")
        for rule, unit in zip(rules, units, strict=True)
    ]
    return listed(said, "and")


def limits(rule: OverrideRule) -> dict[str, str | float]:
    """Return what sentences say of its threshold and times, by name."""
    told: dict[str, str | float] = {
        "override": rule.name,
        "left": float(rule.left),
        "right": float(rule.right),
    }
    if rule.longer_than_ns:
        told["longer_than_s"] = rule.longer_than_ns / 1e9
    return told
