"""Raw samples to records: one record for each frame that stamps it, every field with validity and age."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.mapping.model import OutOfRange
from canmap.records.columns import FieldColumn, RecordChunk
from canmap.records.motion import FIELDS, MotionBuilder, derived_ages
from canmap.signals.extract import no_data
from canmap.signals.ranges import Range
from canmap.signals.values import Choice, Quantity
from canmap.timing.conditions import Condition
from canmap.timing.newest import Held, ages_ns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.description.description import NoData
    from canmap.mapping.model import FieldRule, Geometry, RecordRule
    from canmap.mapping.refs import Requirement
    from canmap.signals.plan import ColumnKind, DecodePlan
    from canmap.timing.newest import Newest


@dataclass(frozen=True, slots=True)
class FieldPlan:
    """A field of a record, by column numbers."""

    rule: FieldRule
    value: Quantity | Choice
    kinds: tuple[ColumnKind, ...]  # of its sources
    conditions: tuple[Condition, ...]
    range: Range | None
    negative: Condition | None = None
    no_direction: tuple[NoData, ...] = ()  # codes of the signal that gives the sign by which it gives none

    @property
    def columns(self) -> tuple[int, ...]:
        """The columns that it needs."""
        conditions = self.conditions if self.negative is None else (*self.conditions, self.negative)
        return (*self.value.columns, *(condition.column for condition in conditions))


@dataclass(frozen=True, slots=True)
class Shared:
    """What many fields of the same records have in common: bool and int64 [n] that are never written to."""

    always: NDArray[np.bool_]
    never: NDArray[np.bool_]
    ageless: NDArray[np.int64]

    @classmethod
    def of(cls, records: int) -> Shared:
        """Return it for so many records."""
        return cls(np.ones(records, np.bool_), np.zeros(records, np.bool_), np.zeros(records, np.int64))


class RecordBuilder:
    """Builds the records of one rule.

    Args:
        rule: The rule.
        plan: The decode plan.
        stale_after_ns: (bus, message) to the silence after which nothing that depends on it holds any more.
        geometry: For derived fields.

    Attributes:
        rule: The same.
        slot: Slot of the message that stamps it.
        stale_after_ns: Silence from which on that message is stale, None for never.
        columns: The columns that it needs.
    """

    def __init__(
        self,
        rule: RecordRule,
        plan: DecodePlan,
        stale_after_ns: dict[tuple[str, str], int | None],
        geometry: Geometry,
    ) -> None:
        self.rule = rule
        self.slot = plan.slot_of[rule.bus, rule.stamp]
        self._fields = tuple(_field_plan(field, plan, stale_after_ns) for field in rule.fields)
        self._names = [field.rule.type.name for field in self._fields]
        self.stale_after_ns = stale_after_ns.get((rule.bus, rule.stamp))
        self._motion = MotionBuilder(geometry, self.stale_after_ns) if rule.derived else None
        self.columns = sorted({column for field in self._fields for column in field.columns})
        self._group = {column: plan.columns[column].group for column in self.columns}

    @property
    def empty(self) -> RecordChunk:
        """No records, with every column that they would have."""
        none, ages = np.zeros(0, np.bool_), np.zeros(0, np.int64)
        held = {column: Held(ages, ages, None, own=True) for column in self.columns}
        shared = Shared.of(0)
        columns = {field.rule.type.name: _field_column(field, held, ages, shared) for field in self._fields}
        if self._motion is not None:
            values = {name: ages if name == "segment" else np.zeros(0) for name in FIELDS}
            columns = {name: FieldColumn(values[name], none, ages, none) for name in FIELDS}
        return RecordChunk(self.rule.name, self.rule.type, ages, ages, ages, columns)

    @property
    def max_age_ns(self) -> dict[str, int | None]:
        """Age from which on the value of each of its fields is dead, None for never."""
        ages = {field.rule.type.name: field.rule.max_age_ns for field in self._fields}
        return ages if self._motion is None else derived_ages(ages)

    @property
    def joins(self) -> set[tuple[int, int]]:
        """(slot, group) pairs whose newest samples the record needs."""
        return {(self.slot, group) for group in self._group.values()}

    @property
    def fields(self) -> tuple[FieldPlan, ...]:
        """What its fields are made of."""
        return self._fields

    def build(
        self, chunk: FrameChunk, first_frame: int, newest: Newest, plain: Mapping[str, FieldColumn]
    ) -> RecordChunk | None:
        """Return the records of a chunk, None if it has none.

        Args:
            chunk: The chunk.
            first_frame: Number of its first frame in the session.
            newest: The newest samples at it.
            plain: The fields that are made already, by name.
        """
        stamps = newest.of_slot(self.slot)
        rows, stamped = stamps.rows, stamps.clock
        if not len(rows):
            return None
        made: dict[str, FieldColumn] = {}
        if len(plain) < len(self._fields):
            careful = [field for field in self._fields if field.rule.type.name not in plain]
            held = {
                column: newest.at(column, stamps)
                for column in {column for field in careful for column in field.columns}
            }
            shared = Shared.of(len(rows))
            made = {field.rule.type.name: _field_column(field, held, stamped, shared) for field in careful}
        columns = {name: made.get(name) or plain[name] for name in self._names}
        if self._motion is not None:
            columns = self._motion.derive(stamped, columns)
        frame = rows + first_frame
        return RecordChunk(self.rule.name, self.rule.type, stamped, chunk.t_ns[rows], frame, columns)


def _field_plan(
    rule: FieldRule, plan: DecodePlan, stale_after_ns: dict[tuple[str, str], int | None]
) -> FieldPlan:
    is_number = rule.type.kind is float
    value = Quantity.of_rule(rule, plan) if is_number else Choice.of_rule(rule, plan)

    def condition(need: Requirement) -> Condition:
        stale_ns = stale_after_ns.get((need.ref.bus, need.ref.message))
        return Condition.of(need, plan, holds_for_ns=stale_ns, own_frame_counts=True)

    negative = None if rule.negative_when is None else condition(rule.negative_when)
    return FieldPlan(
        rule=rule,
        value=value,
        kinds=tuple(plan.columns[column].kind for column in value.columns),
        conditions=tuple(map(condition, rule.valid_when)),
        negative=negative,
        no_direction=() if negative is None else tuple(plan.columns[negative.column].signal.no_data),
        range=Range.of_field(rule, value, plan) if isinstance(value, Quantity) else None,
    )


def _field_column(
    field: FieldPlan, held: dict[int, Held], clock: NDArray[np.int64], shared: Shared
) -> FieldColumn:
    sources = [held[column] for column in field.value.columns]
    doubts = [source.present for source in sources if source.present is not None]
    if sources[0].own:
        age_ns = shared.ageless
    else:
        age_ns = ages_ns(clock, sources[0].clock_ns)  # those of a sum are of the same frames
        if field.rule.max_age_ns is not None:
            doubts.append(age_ns <= field.rule.max_age_ns)
    for source, kind, codes in zip(sources, field.kinds, field.rule.no_data, strict=True):
        if codes:
            doubts.append(~no_data(source.raw, kind, codes))
    doubts += [condition.fulfilled(held[condition.column], clock) for condition in field.conditions]
    values, flagged = _values(field, sources, doubts, shared)
    if field.negative is not None:
        direction = held[field.negative.column]
        doubts.append(field.negative.known(direction, clock))
        if field.no_direction:
            doubts.append(~no_data(direction.raw, field.negative.kind, field.no_direction))
        values = np.where(field.negative.fulfilled(direction, clock), 0.0 - values, values)  # no -0.0
    return FieldColumn(values, np.logical_and.reduce(doubts) if doubts else shared.always, age_ns, flagged)


def _values(
    field: FieldPlan, sources: Sequence[Held], doubts: list[NDArray[np.bool_]], shared: Shared
) -> tuple[NDArray[np.float64] | NDArray[np.int64] | NDArray[np.uint64], NDArray[np.bool_]]:
    """Finished values and which of them are out of range; adds to `doubts` where there may be no value."""
    if isinstance(field.value, Choice):
        codes, known = field.value.values(sources[0].raw)
        doubts += [] if known is None else [known]
        return codes, shared.never
    raw = [source.raw for source in sources]
    values, finite = field.value.values(raw)
    doubts += [] if finite is None else [finite]
    outside = None if field.range is None else field.range.outside(raw, values, finite)
    if field.range is None or outside is None:
        return values, shared.never
    flagged = np.logical_and.reduce([outside, *doubts])
    if field.rule.out_of_range is OutOfRange.MASK:
        doubts.append(~flagged)
    elif field.rule.out_of_range is OutOfRange.CLAMP:
        values = np.where(outside, np.clip(values, *field.range.ends), values)
    return values, flagged
