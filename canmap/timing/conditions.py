"""What has to hold of the newest value of a signal, and how old that value may be: one rule for every reader.

| what | its values hold | own frame counts |
|---|---|---|
| `valid_when` of a field | until their message is stale | yes: the frame that brings it is judged by it |
| `active_when` of a message | for ever | no: it is awaited from the next frame on |

A signal that has not come, or that its newest payload was too short to hold, does not fulfil a condition.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.signals.extract import among
from canmap.timing.newest import NEVER_NS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.mapping.refs import Requirement
    from canmap.signals.plan import ColumnKind, DecodePlan, Ranges
    from canmap.timing.newest import Held, Moments, Newest


@dataclass(frozen=True, slots=True)
class Condition:
    """Holds while the newest raw value of a column is accepted.

    Attributes:
        column: The column.
        kind: How its raw values are read.
        accepts: Inclusive raw ranges; one of them must hold the value.
        holds_for_ns: Age up to which, inclusive, a value can fulfil it; None for ever.
        own_frame_counts: Whether at a frame that carries the signal itself that very sample counts.
    """

    column: int
    kind: ColumnKind
    accepts: Ranges
    holds_for_ns: int | None
    own_frame_counts: bool

    @classmethod
    def of(
        cls, need: Requirement, plan: DecodePlan, *, holds_for_ns: int | None, own_frame_counts: bool
    ) -> Condition:
        """Return what the spec requires of a signal, by its column."""
        column = plan.column_of[need.ref.bus, need.ref.message, need.ref.signal]
        return cls(column, plan.columns[column].kind, need.accepts, holds_for_ns, own_frame_counts)

    def at(self, newest: Newest, moments: Moments) -> NDArray[np.bool_]:
        """Return bool[n], at which moments it holds."""
        held = newest.at(self.column, moments, own_counts=self.own_frame_counts)
        return self.fulfilled(held, moments.clock)

    def fulfilled(self, held: Held, clock: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return bool[n], where the newest sample, known already, fulfils it at `clock` int64[n]."""
        holds = among(held.raw, self.kind, self.accepts)
        if held.present is not None:
            holds &= held.present
        if self.holds_for_ns is not None and not held.own:
            holds &= clock - held.clock_ns <= self.holds_for_ns
        return holds

    def told(self, newest: Newest, moments: Moments) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return bool[n], at which moments it holds, and bool[n], at which it can be told whether it does."""
        held = newest.at(self.column, moments, own_counts=self.own_frame_counts)
        return self.fulfilled(held, moments.clock), self.known(held, moments.clock)

    def known(self, held: Held, clock: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return bool[n], where by the newest sample it can be told at `clock` int64[n] whether it holds."""
        known = np.ones(len(clock), np.bool_) if held.present is None else held.present.copy()
        if self.holds_for_ns is not None and not held.own:
            known &= (held.clock_ns != NEVER_NS) & (clock - held.clock_ns <= self.holds_for_ns)
        return known


def all_hold(conditions: Sequence[Condition], newest: Newest, moments: Moments) -> NDArray[np.bool_]:
    """Return bool[n], at which moments all of the conditions hold; everywhere where there are none."""
    hold = np.ones(len(moments.rows), np.bool_)
    for condition in conditions:
        hold &= condition.at(newest, moments)
    return hold
