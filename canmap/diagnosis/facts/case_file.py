"""All that the atoms of evidence see of an episode: its frames, records and silences, and who sends what."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.diagnosis.facts.evidence import Role
from canmap.diagnosis.onsets import OnsetKind, held_from_start
from canmap.findings.begun_together import USUAL_HOLD_UP_NS
from canmap.findings.kinds import STALE, TWO_SENDERS
from canmap.vocabulary.record_types import DEMAND_TYPES, AxisState, field_types

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.diagnosis.onsets import EpisodeSpan
    from canmap.findings.finding import Finding, Place
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import MessageRule, Spec
    from canmap.records.columns import RecordChunk
    from canmap.results.inspection import Inspection
    from canmap.signals.plan import DecodePlan
    from canmap.signals.prepared import Prepared

MS = 1_000_000
DUE = 1.25  # a frame is due after its period; jitter may add a quarter
SILENT = 3  # periods without a frame from which on one is silent, where nothing else is promised
WRONG = {"out_of_range", "disagree", "railed", "frozen", "slew", "tracking"}
WRONG |= {"checksum", "counter", "two_senders"}
FOLLOWS_NS = 1_500 * MS  # silences that begin so soon are of the episode
TWICE_NS = 1_000 * MS  # around the begin, in which a message is looked at that comes twice as often
TWICE = 0.25  # of a period: so near to it two frames of one of two senders are apart
APART_NS = MS // 5  # closer frames are of one sender
LEAST_TWICE = 8  # frames


@dataclass(frozen=True, slots=True)
class EpisodeFrames:
    """The frames around an episode, and what the engine makes of them.

    Attributes:
        prepared: The frames, all in one chunk, whose stamps are the session clock.
        records: What they stamp, by name.
        from_ns: Session clock from which on frames are in it.
        to_ns: Until which, excluded.
        recorded: The frames with their own stamps.
    """

    prepared: Prepared
    records: Mapping[str, RecordChunk]
    from_ns: int
    to_ns: int
    recorded: FrameChunk


@dataclass(frozen=True, slots=True)
class Gap:
    """A silence of a cyclic message.

    Attributes:
        slot: Of the message.
        last_ns: Session clock of its last frame before.
        due_ns: Until when the next one was due.
        next_ns: Session clock of the next frame, None where none came.
    """

    slot: int
    last_ns: int
    due_ns: int
    next_ns: int | None


class CaseFile:
    """An episode, with what capture and spec tell about it.

    Args:
        span: The episode.
        window: Its frames.
        result: Of the whole capture.
        spec: The vehicle's.
        plan: By which the frames were decoded.
        rules: The message rules, one a slot.

    Attributes:
        begin_ns: Session clock at its begin.
        end_ns: At its end.
    """

    def __init__(  # what a case is made of
        self,
        span: EpisodeSpan,
        window: EpisodeFrames,
        result: Inspection,
        spec: Spec,
        plan: DecodePlan,
        rules: Sequence[MessageRule],
    ) -> None:
        self.span, self.window, self.result, self.spec, self.plan = span, window, result, spec, plan
        self.rules = tuple(rules[: len(plan.slots)])
        self.begin_ns, self.end_ns = span.begin_ns, span.end_ns

    def with_result(self, result: Inspection) -> CaseFile:
        """Return the same by another inspection of the capture, such as one with other names."""
        return CaseFile(self.span, self.window, result, self.spec, self.plan, self.rules)

    def numbered(self, number: int) -> CaseFile:
        """Return the same as another of the episodes of the capture."""
        span = replace(self.span, number=number)
        return CaseFile(span, self.window, self.result, self.spec, self.plan, self.rules)

    @cached_property
    def roles(self) -> tuple[Role, ...]:
        """The role of each slot."""
        manual, by_name = self.spec.manual, {(r.bus, r.message.name): r.sender for r in self.rules}
        asked = {(one.message.bus, one.message.message) for one in manual.demands}
        asked |= {(rule.bus, rule.stamp) for rule in self.spec.records if issubclass(rule.type, DEMAND_TYPES)}
        computers = {by_name.get(name) for name in asked} - {None}
        kit = {node for nodes in manual.supply_groups.values() for node in nodes}
        told = [(one.signal.bus, one.signal.message) for one in manual.state_machines]
        told += [
            (field.sources[0].bus, field.sources[0].message)
            for rule in self.spec.records
            for field in rule.fields
            if field.type.kind is AxisState
        ]
        kit |= {node for name in told if (node := by_name.get(name))}
        return tuple(self._role(rule, asked, computers, kit) for rule in self.rules)

    def _role(
        self, rule: MessageRule, asked: set[tuple[str, str]], computers: set[str | None], kit: set[str]
    ) -> Role:
        if rule.relay_of is not None:
            return Role.COPY
        if (rule.bus, rule.message.name) in asked or (rule.sender and rule.sender in computers):
            return Role.COMPUTER
        return Role.KIT if rule.sender in kit else Role.OTHER

    def rows(self, slot: int) -> NDArray[np.intp]:
        """Return intp[n], the frames of a slot in the window, whether they failed or not."""
        arrived = self.window.prepared.arrived
        return arrived.rows[arrived.slot_start[slot] : arrived.slot_start[slot + 1]]

    def clock(self, slot: int) -> NDArray[np.int64]:
        """Return int64[n], the session clock of each of them."""
        return self.window.prepared.chunk.t_ns[self.rows(slot)]

    def period_ns(self, slot: int) -> int | None:
        """Return the period of a message that has always to come, else None."""
        rule = self.rules[slot]
        return rule.period_ns if self.is_cyclic(rule) else None

    def samples(self, column: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return the session clock and the values of a signal, in the unit of its description."""
        samples = self.window.prepared.samples
        return self.window.prepared.chunk.t_ns[samples.positions(column)], samples.physical(column)

    def findings(self, *kinds: str) -> Iterator[Finding]:
        """Yield the findings of some kinds that overlap the episode."""
        for finding in self.result.findings:
            near = finding.start_ns <= self.end_ns and finding.end_ns >= self.begin_ns
            held = (finding.kind, finding.place) in self._held
            if finding.kind in kinds and near and held is self.from_start:
                yield finding

    def line(self, clock_ns: int, slot: int | None = None) -> int | None:
        """Return the line of the frame at a moment, of a message where it is named; None for none."""
        chunk = self.window.prepared.chunk
        rows = np.arange(len(chunk)) if slot is None else self.rows(slot)
        place = int(np.searchsorted(chunk.t_ns[rows], clock_ns))
        return int(chunk.line[rows[place]]) if place < len(rows) else None

    @cached_property
    def _held(self) -> set[tuple[str, Place]]:
        return held_from_start(self.result)

    @staticmethod
    def is_cyclic(rule: MessageRule) -> bool:
        """Tell whether a message has always to come."""
        return rule.period_ns is not None and not rule.active_when

    @property
    def own_from_ns(self) -> int:
        """From when on what happens is nearer to its begin than to the last onset of the episode before."""
        earlier_ns = self.span.earlier_ns
        return self.result.capture.start_ns if earlier_ns is None else (earlier_ns + self.begin_ns) // 2

    @property
    def from_start(self) -> bool:
        """Whether it is about what holds from the first frame on."""
        return self.span.kinds == (OnsetKind.FROM_START,)

    def doubled(self, slot: int) -> tuple[int, int] | None:
        """Return from when to when, session clock, a message came twice as often as promised; None if not."""
        period_ns, clock = self.period_ns(slot), self.clock(slot)
        named = self.rules[slot].bus, self.rules[slot].message.name
        for finding in self.findings(TWO_SENDERS):
            if (finding.place.bus, finding.place.message) == named:
                return finding.start_ns, finding.end_ns
        if period_ns is None:
            return None
        span = clock[(clock >= self.begin_ns - TWICE_NS) & (clock <= self.begin_ns + TWICE_NS)]
        two_apart = span[2:] - span[:-2]
        twice = (np.abs(two_apart - period_ns) < TWICE * period_ns) & (span[1:-1] > span[:-2] + APART_NS)
        if np.count_nonzero(twice) < LEAST_TWICE:
            return None
        inner = span[1:-1][twice]  # each between two others
        return int(inner[0]), int(inner[-1])

    @cached_property
    def wrong_spans(self) -> Mapping[tuple[str, str], tuple[tuple[int, int], ...]]:
        """When frames or values of a message, by bus and name, were wrong: from and until, session clock."""
        found: dict[tuple[str, str], tuple[tuple[int, int], ...]] = {}
        for finding in self.result.findings:
            place, starts_ns = finding.place, finding.start_ns
            counts = finding.kind in WRONG and finding.severity != "note" and place.bus and place.message
            near = starts_ns < self.window.to_ns and finding.end_ns >= self.window.from_ns
            if counts and near and starts_ns > self.result.capture.start_ns:
                name = (place.bus or "", place.message or "")
                found[name] = (*found.get(name, ()), (starts_ns, finding.end_ns))
        return found

    @cached_property
    def gaps(self) -> tuple[Gap, ...]:
        """The silences of cyclic messages that begin in the episode, or are part of one that does."""
        found, parts = [], self._silent_parts
        for slot in range(len(self.rules)):
            period_ns, clock = self.period_ns(slot), self.clock(slot)
            if period_ns is None or len(clock) < 2:
                continue
            longest_ns = self.rules[slot].stale_after_ns or round(SILENT * period_ns)
            ends = np.append(clock[1:], self.window.to_ns)
            for i in np.flatnonzero(ends - clock > longest_ns).tolist():
                last_ns = int(clock[i])
                near = self.begin_ns - DUE * period_ns <= last_ns <= self.begin_ns + FOLLOWS_NS
                if not near and (self.rules[slot].bus, self.rules[slot].message.name, last_ns) not in parts:
                    continue
                next_ns = int(clock[i + 1]) if i + 1 < len(clock) else None
                found.append(Gap(slot, last_ns, last_ns + round(DUE * period_ns), next_ns))
                break
        return tuple(sorted(found, key=lambda gap: gap.last_ns))

    @cached_property
    def _silent_parts(self) -> set[tuple[str | None, str | None, int]]:
        """What silences of the episode are made of: bus, message and last frame, session clock.

        Such a silence begins where the last of its parts does, up to a hold-up after the first of them.
        """
        begins_ns = {one.start_ns for one in self.span.onsets if one.kind is OnsetKind.SILENT}
        return {
            (part.place.bus, part.place.message, part.start_ns)
            for finding in self.findings(STALE)
            if finding.start_ns in begins_ns
            for part in finding.parts
        }

    @cached_property
    def first_silent(self) -> tuple[Gap, ...]:
        """Those of the silences that may have begun with the first.

        Nodes of one supply live on their capacitors when it is cut, each for its own time: so those that fall
        silent later belong to the first too, if it may have been cut before. So do further messages of a node
        that is among the first by a slow one only, where another node of its supply is.
        """
        due_ns = min((gap.due_ns for gap in self.gaps), default=0)
        first = {gap.slot for gap in self.gaps if gap.last_ns <= due_ns}
        back_ns = min((gap.next_ns or self.window.to_ns for gap in self.gaps if gap.slot in first), default=0)
        begun = {self.rules[slot].sender for slot in first}
        for nodes in map(set, self.spec.manual.supply_groups.values()):
            fed = [gap for gap in self.gaps if self.rules[gap.slot].sender in nodes]
            fed = [gap for gap in fed if nodes & begun - {self.rules[gap.slot].sender}]
            first |= {gap.slot for gap in fed if gap.last_ns - self._hold_up_ns(gap) <= due_ns}
        return tuple(
            gap for gap in self.gaps if gap.slot in first and (gap.last_ns <= due_ns or gap.last_ns < back_ns)
        )

    def _hold_up_ns(self, gap: Gap) -> int:
        """How long the sender of a message may have gone on without supply."""
        sender = self.rules[gap.slot].sender
        stated = {node.name: node.hold_up_ns for node in self.spec.manual.nodes}
        return stated.get(sender or "") or USUAL_HOLD_UP_NS

    @cached_property
    def silent_from_ns(self) -> int:
        """The last frame of those that fell silent at the begin, copies only where nothing else did."""
        first = [gap for gap in self.first_silent if self.roles[gap.slot] is not Role.COPY]
        first = first or list(self.first_silent)
        due_ns = min(gap.due_ns for gap in first)
        return max(gap.last_ns for gap in first if gap.last_ns <= due_ns)

    @cached_property
    def quiet_ns(self) -> tuple[int, int]:
        """From when to when all of the first silences lasted together."""
        due_ns = min(gap.due_ns for gap in self.first_silent)
        ends = [self.window.to_ns if gap.next_ns is None else gap.next_ns for gap in self.first_silent]
        return max(due_ns, *(gap.last_ns for gap in self.first_silent)), min(ends)

    def has_field(self, *types: type, name: str) -> bool:
        """Tell whether the spec maps a field of a record of one of the types."""
        return any(
            issubclass(rule.type, types) and any(field.type.name == name for field in rule.fields)
            for rule in self.spec.records
            if name in field_types(rule.type)
        )
