"""Raw codes of a signal as a spec writes them: a label of the description, a bare number, yes or no.

A bare number is always the raw code, never the scaled value. A condition may also say ``above 1 km/h``
or ``below 5 %``, which become raw counts exactly.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import times
from canmap.mapping.description.description import NoData
from canmap.mapping.reading.marks import Items, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import scalar
from canmap.mapping.reading.shapes import as_integer, each, signal
from canmap.mapping.refs import Requirement
from canmap.vocabulary.units import NoQuantity, find_unit, parse_quantity, si_name

if TYPE_CHECKING:
    from fractions import Fraction

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context

_SWITCH = {"no": False, "false": False, "yes": True, "true": True}


def raw_codes(code: Scalar, found: FoundSignal, context: Context) -> tuple[int, ...] | None:
    """Return the raw codes that a label or number stands for; None where `context.faults` says why not."""
    if found.signal.is_float:
        context.faults.add(code.place, f"{found.text} is a floating point number and has no codes.")
        return None
    number = None if code.quoted else as_integer(code.text)
    if number is not None:
        return _checked(number, code, found, context)
    labelled = tuple(raw for raw, label in found.signal.labels.items() if label == code.text)
    if labelled:
        return labelled
    if found.signal.bits == 1 and code.text in _SWITCH:
        return (sum(found.raw_range) if _SWITCH[code.text] else 0,)  # a signed bit is 0 or -1
    labels = found.signal.labels.values()
    written = "yes or no" if found.signal.bits == 1 else "a raw code"
    hint = context.faults.hint(code.text, labels) if labels else f", nor any other: write {written}."
    if found.signal.labels_unread and not labels:
        hint = f", as its labels are not read; write a raw code, or {labels_remedy(found)}."
    context.faults.add(code.place, f"{found.text} has no label {shown(code.text)}{hint}")
    return None


def labels_remedy(found: FoundSignal) -> str:
    """Say how to give a signal the labels that its description garbles, and where it does."""
    return f"correct `{found.text}: {{labels: ..., reason: ...}}` ({found.signal.labels_unread})"


def _checked(number: int, code: Scalar, found: FoundSignal, context: Context) -> tuple[int, ...] | None:
    low, high = found.raw_range
    if low <= number <= high:
        return (number,)
    bits = times(found.signal.bits, "bit")
    context.faults.add(code.place, f"{found.text} has {bits}: its raw codes are {low} to {high}.")
    return None


def code_list(node: Node, found: FoundSignal, context: Context) -> tuple[int, ...] | None:
    """Read one code or a list of codes of a signal."""
    codes: list[int] = []
    before = len(context.faults)
    for item in node.items if isinstance(node, Items) else (node,):
        code = scalar(item, context, "a label or a raw code")
        codes.extend((code and raw_codes(code, found, context)) or ())
    return tuple(codes) if len(context.faults) == before else None


def no_data_codes(node: Node, found: FoundSignal, context: Context) -> tuple[NoData, ...] | None:
    """Read the codes that are no value, ascending: codes, labels, or spans such as ``0xFE00 to 0xFEFF``."""
    spans: list[NoData] = []
    before = len(context.faults)
    for item in node.items if isinstance(node, Items) else (node,):
        code = scalar(item, context, "a label, a raw code, or a span of raw codes")
        low, to, high = code.text.partition(" to ") if code else ("", "", "")
        if code and to:
            first, last = (raw_codes(replace(code, text=end.strip()), found, context) for end in (low, high))
            if first and last and first > last:
                context.faults.add(code.place, f"{shown(code.text)} goes down: write the lower code first.")
            spans += [NoData(first[0], last[0])] if first and last else []
        elif code:
            labels = found.signal.labels
            spans += [
                NoData(raw, raw, str(labels.get(raw, ""))) for raw in raw_codes(code, found, context) or ()
            ]
    spans = sorted(set(spans), key=lambda span: span.low)
    return tuple(spans) if len(context.faults) == before else None


def _accepted(found: FoundSignal, node: Node, context: Context) -> Requirement | None:
    """Read what a signal must be: codes, or one limit."""
    if isinstance(node, Scalar):
        side, _, rest = node.text.partition(" ")
        if side in {"above", "below"}:
            span = _beyond(side, rest, found, node, context)
            return Requirement(found.ref, (span,)) if span else None
    codes = code_list(node, found, context)
    return (
        None if codes is None else Requirement(found.ref, tuple((code, code) for code in sorted(set(codes))))
    )


def _beyond(
    side: str, limit: str, found: FoundSignal, node: Scalar, context: Context
) -> tuple[int, int] | None:
    quantity, unit = parse_quantity(limit), find_unit(found.signal.unit)
    if isinstance(quantity, NoQuantity):
        context.faults.add(node.place, f"{shown(limit)}: {quantity}.")
    elif unit is None or found.signal.is_float or not found.signal.factor:
        context.faults.add(node.place, f"{found.text} has no known unit: write raw codes.")
    elif unit.dimension != quantity.unit.dimension:
        text = f"The unit {shown(quantity.unit.name)} does not convert to {si_name(unit.dimension)}."
        context.faults.add(node.place, text)
    else:
        physical = (quantity.si - unit.offset) / unit.factor
        raw = (physical - found.signal.offset) / found.signal.factor
        low, high = _raw_side(raw, above=(side == "above") == (found.signal.factor > 0), span=found.raw_range)
        if low <= high:
            return low, high
        context.faults.add(node.place, f"{found.text} can never be {node.text}.")
    return None


def _raw_side(limit: Fraction, above: bool, span: tuple[int, int]) -> tuple[int, int]:
    """Return the raw codes of `span` that lie strictly on one side of the limit."""
    low, high = span
    return (max(low, math.floor(limit) + 1), high) if above else (low, min(high, math.ceil(limit) - 1))


_read_conditions = each("the list of conditions", signal, _accepted)


def conditions(node: Node, context: Context) -> tuple[Requirement, ...] | None:
    """Read {signal: code, label, list of them, or a limit}; all must hold."""
    entries = _read_conditions(node, context)
    return None if entries is None else tuple(entry.value for entry in entries)
