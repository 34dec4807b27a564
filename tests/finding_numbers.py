"""The numbers in the sentence of a finding that none of its fields has."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

from canmap.vocabulary.units import Measure, parse_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.findings.finding import Finding

FIVE_DIGITS = 1e-4  # a sentence gives five significant digits (`canmap.base.words`)
_NUMBER = re.compile(
    r"(?<![\w.`])([+-]?\d[\d,]*(?:\.\d+)?(?:e[+-]?\d+)?)(?!\.?\w)"
    r"(?: ((?:1/)?[A-Za-z%°µ][^\s,;:)]*?)\.?(?=[\s,;:)]|$))?"
)
_HEXADECIMAL = re.compile(r"\b(?=\w*[A-F])(?=\w*\d)(?:[0-9A-F]{2,3}|[0-9A-F]{8})\b")

_SELECTED = r"with \S+ \d+"  # a message with one value of its multiplexer
_PLACING = (
    r"\w+ of (?:the|its) \d+",
    r"\d+ other identifiers?",
    r"\d+ of its identifiers did with \d+ bits instead of \d+",
    r"So \d+ messages? never came",
)
# The phrases whose numbers are in no field yet, by kind of finding. A field for one takes its phrase away.
LACKING = {
    "missing": (_SELECTED, *_PLACING),  # the value of a multiplexer is a text
    "stale": (_SELECTED,),
    "rate": (_SELECTED, r"\S+ times (?:their promised|as often)"),
    "not_a_number": (r"raw (?:code|value) \w+",),
    "spec": (r".+",),  # numbers in `detail`, which is a text
    "bad_line": (r"cannot be read: .*",),  # the words of `Unread`
    "two_senders": (r", .*, whose",),  # addresses, as the texts that they are
    "fault_reported": (r"(?<=: ).*",),  # the words of the manual
    "fault_ignored": (r"(?<=reported: ).*(?=; it has)", r"page \S+ of the manual"),
    "relay": (r"page \S+ of the manual",),
    "override": (r"though .*", r"page \S+ of the manual"),
    "checksum": (r"\([^()]*(?=line \d)", r"page \S+ of the manual"),  # a profile, and a page, are texts
    "unknown_id": (r"does not know [0-9A-Fx]+",),
    # Conditions, several states, reactions and pages are texts.
    "state": (r"though .*", r"\w+(?:, \w+)* or \w+", r"page \S+ of the manual"),
    "watchdog": (r"after which .*", r"page \S+ of the manual"),
    "slew": (r"page \S+ of the manual",),
    **dict.fromkeys(("restart", "late_start", "undervoltage", "stop_chain"), (r"page \S+ of the manual",)),
}


def _values(held: Any) -> Iterator[float]:
    """Every number that a field holds, at any depth."""
    if isinstance(held, Mapping):
        held = held.values()
    elif is_dataclass(held):
        held = [getattr(held, field.name) for field in fields(held)]
    if isinstance(held, int | float):
        yield float(held)
    elif isinstance(held, Iterable) and not isinstance(held, str):
        for one in held:
            yield from _values(one)


def _readings(number: str, unit: str | None) -> list[float]:
    """What a number of a sentence may be in a field: as it is, and in SI."""
    plain = number.replace(",", "")
    quantity = parse_quantity(f"{plain} {unit}") if unit else None
    return [float(plain), *([float(quantity.si)] if isinstance(quantity, Measure) else [])]


def lacking(finding: Finding) -> list[str]:
    """Return the numbers of a finding's sentence, names left out, that none of its fields has.

    A field may have a number with the other sign (stamps step *back by* 3 s) or in SI; a duration is a span.
    A count of `facts` may be given as its share of all, and two digits are enough for what `facts` hold.
    """
    counts = finding.facts.get("classes")
    parts = [one / finding.count for one in _values(counts)] if counts else []
    shares = [float(f"{one:.2g}") for one in (*_values(finding.facts), *parts)]
    known = [*_values(finding), *shares, (finding.end_ns - finding.start_ns) / 1e9]
    text = finding.text
    for name in _values_named(finding):
        text = text.replace(name, "NAME")
    for phrase in LACKING.get(finding.kind, ()):
        text = re.sub(phrase, "LACKING", text)
    found = [match[0] for match in _HEXADECIMAL.finditer(text)]
    for match in _NUMBER.finditer(text):
        if not any(
            math.isclose(abs(number), abs(one), rel_tol=FIVE_DIGITS, abs_tol=1e-9)
            for number in _readings(match[1], match[2])
            for one in known
        ):
            found.append(match[0])
    return found


def _values_named(finding: Finding) -> list[str]:
    place = finding.place
    return [name for name in (place.message, place.signal, place.bus) if name]
