"""What a check reports: one finding for a fault that lasts, with its kind, its place and its evidence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from enum import StrEnum
from typing import Self

from canmap.base.dataclass import public_dataclass

Facts = Mapping[str, str | float | tuple[str, ...] | Mapping[str, int] | None]


class Severity(StrEnum):
    """How much a finding matters: an error fails the inspection."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


def worst(severities: Iterable[Severity]) -> Severity:
    """Return the one that matters most of at least one."""
    return min(severities, key=list(Severity).index)


class Kind(str):
    """What is wrong: its word, which is what it equals, with how much it usually matters.

    A kind stands with the check that reports it; one of several checks in `canmap.findings.kinds`.

    Attributes:
        severity: Usual severity of its findings.
    """

    __slots__ = ("severity",)
    severity: Severity

    def __new__(cls, word: str, severity: Severity) -> Self:
        """Make the kind that `word` names."""
        kind = super().__new__(cls, word)
        kind.severity = severity
        return kind

    def __getnewargs__(self) -> tuple[str, Severity]:  # type: ignore[override]
        """Return what a copy is made of."""
        return self.value, self.severity

    @property
    def value(self) -> str:
        """Only the word."""
        return str(self)


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What a finding is about; what does not apply is None."""

    bus: str | None = None
    message: str | None = None
    signal: str | None = None
    record: str | None = None
    field: str | None = None


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault, from its first to its last moment.

    Attributes:
        kind: What is wrong.
        severity: How much it matters.
        place: Where.
        start_ns: Session clock at the last good frame or the first bad sample.
        end_ns: Session clock at the first good one again, or where the capture stops covering it.
        open: Still going at the end.
        count: Faulty gaps, windows, samples, frames or lines in it.
        value: Worst value, in the record's unit (a signal's own unit where no record maps it; s for times).
        limit: What it should have kept to, in the same unit.
        text: One plain sentence, its quantities in the units of the spec or the description.
        si_text: The same with its quantities in SI; "" where that is no other.
        line: Line of the capture where it starts, where one line can be named.
        stream: Number of the message rule that it is about, None where it is about none.
        parts: The findings that this one stands for.
        beside: What else happened around the begin of a silence, in sentences.
        facts: What else its sentence says, by name; times in s, the name with its unit where it has one.
        says_what_to_correct: Its last sentence does, from what the whole session tells.
    """

    kind: Kind
    severity: Severity
    place: Place
    start_ns: int
    end_ns: int
    open: bool = False
    count: int = 1
    value: float | None = None
    limit: float | None = None
    text: str = ""
    si_text: str = ""
    line: int | None = None
    stream: int | None = None
    parts: tuple[Finding, ...] = ()
    beside: tuple[str, ...] = ()
    facts: Facts = field(default_factory=dict, hash=False)
    says_what_to_correct: bool = False

    def told(self, *, si: bool) -> str:
        """Return its sentence, with quantities in SI or as spec and description write them."""
        return self.si_text if si and self.si_text else self.text

    def with_sentence(self, sentence: str) -> Self:
        """Return it with one more sentence, which has no quantities and so is the same in SI."""
        return replace(
            self, text=f"{self.text} {sentence}", si_text=self.si_text and f"{self.si_text} {sentence}"
        )
