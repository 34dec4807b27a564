"""What a manual says of the driver's override."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from fractions import Fraction

    from canmap.mapping.refs import Requirement, SignalRef


@dataclass(frozen=True, slots=True, kw_only=True)
class OverrideRule:
    """What counts as the driver's override, and what the kit then does.

    Attributes:
        name: As the spec names it.
        signal: What the driver moves.
        left: Its threshold to the left, in the signal's unit, greater than zero.
        right: The same to the right.
        by_side: The spec gives one for each side.
        tolerance: A value that is no further from a threshold is on neither side of it.
        longer_than_ns: For how long, None for at once.
        within_ns: After that, the axis may take so long.
        latched: It stays until it is reset.
        reset: How, in words.
        reset_when: It is reset where all of these hold; none where the spec does not tell.
        corroborated_by: While the driver really does it, all of these hold at some time.
        machines: Names of the state machines that go to overridden.
        page: Of the manual, "" where the spec does not tell.
    """

    name: str
    signal: SignalRef
    left: Fraction
    right: Fraction
    by_side: bool = False
    tolerance: Fraction
    longer_than_ns: int | None = None
    within_ns: int = 0
    latched: bool = False
    reset: str = ""
    reset_when: tuple[Requirement, ...] = ()
    corroborated_by: tuple[Requirement, ...] = ()
    machines: tuple[str, ...] = ()
    page: str = ""
