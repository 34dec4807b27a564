"""Channels and buses: whose messages came on which channel, and which identifiers nobody describes."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.buses.misplaced import Carried, Misplaced
from canmap.checks.buses.other_identifiers import why_none_came
from canmap.checks.buses.unknown_ids import IdNames, UnknownIds
from canmap.checks.check import Check
from canmap.checks.common.long_messages import are_packets
from canmap.checks.common.tally import Tally, tally, tally_small
from canmap.findings.finding import Finding, Kind, Place
from canmap.findings.kinds import MISSING, UNKNOWN_ID
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.session import SessionClock
    from canmap.mapping.model import Bus
    from canmap.signals.prepared import Prepared
    from canmap.stream.view import View


class ChannelCheck(Check[Tally]):
    """Compares the channels of the stream, and the identifiers on them, with the buses of the spec.

    Attributes:
        counts: Frames of each channel so far.
        misplaced: The buses whose messages came on another channel; known after `finish`.
    """

    kinds = (UNKNOWN_ID,)

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._names = IdNames(setting.buses, setting.rules)
        self.counts: Counter[str] = Counter()
        self.misplaced = Misplaced()
        self._unknown = UnknownIds()  # on the channels of buses
        self._unheard = UnknownIds()  # on channels that no bus listens to
        self._explained: dict[tuple[str, int], None] = {}  # unknown, but of a bus that is misplaced
        self._found: list[Finding] = []
        coded = {rule.message.bus for rule in setting.spec.manual.trouble_codes}
        self._with_packets = [setting.plan.buses.index(bus) for bus in sorted(coded)]

    @property
    def unknown_ids(self) -> list[tuple[str, int, bool, int]]:
        """(channel, identifier, extended, frames) of every unknown identifier, the most frequent first."""
        return self._unknown.rows(self._explained)

    def prepare(self, prepared: Prepared) -> Tally | None:
        """Count the data frames that have no slot, by channel of the chunk << 32 | extended << 31 | id."""
        chunk = prepared.chunk
        is_unknown = prepared.slot < 0
        if chunk.kind.any():
            is_unknown &= chunk.kind == FrameKind.DATA
        is_unknown[prepared.repeats.rows] = False
        if self._with_packets:
            is_unknown &= ~(are_packets(chunk) & np.isin(prepared.bus, self._with_packets))
        frames = np.flatnonzero(is_unknown)
        if not len(frames):
            return None
        can_id, channel, extended = chunk.can_id[frames], chunk.channel[frames], chunk.extended[frames]
        if extended.any():
            return tally(channel.astype(np.int64) << 32 | extended.astype(np.int64) << 31 | can_id, frames)
        counted = tally_small(channel.astype(np.intp) << 11 | can_id.astype(np.intp), frames)
        return replace(counted, keys=(counted.keys >> 11) << 32 | (counted.keys & 0x7FF))

    def fold(self, view: View, part: Tally | None) -> list[Event]:
        """Count the frames and the unknown identifiers of one chunk."""
        channels = view.prepared.chunk.channels
        for name, count in zip(channels, view.prepared.channel_counts.tolist(), strict=True):
            if count:
                self.counts[name] += count
        listened = self._setting.buses
        for key, count, first_ns, last_ns in part.rows(view.clock) if part else ():
            channel = channels[key >> 32]
            ids = self._unknown if channel in listened else self._unheard
            ids.add((channel, key & 0xFFFF_FFFF), count, first_ns, last_ns)
        return []

    def finish(self, end: End) -> list[Event]:
        """Find an error for each bus without a channel, a note for each channel without a bus.

        And an error for each bus of which nothing came, though its channel has other identifiers. Where buses
        are misplaced, one error says so of all of them; what that explains is in it.
        """
        self._find_misplaced(end)
        unheard = {
            name: _unheard(name, self.counts[name], end.session)
            for name in sorted(self.counts.keys() - self._setting.buses.keys())
        }
        if moved := self.misplaced.channels:
            notes = [unheard.pop(name) for name in sorted(unheard.keys() & set(moved.values()))]
            self._found.append(self._tell_misplaced(end.session, notes))
        for bus in self._setting.spec.buses.values():
            if bus.name in moved:
                continue
            if bus.channel not in self.counts:
                self._found.append(self._tell_missing(bus, end.session))
                continue
            ids = self._unknown.of_channel(bus.channel)
            if text := why_none_came(self._setting, bus, ids, end.timeline):
                found = _finding(end.session, MISSING, Place(bus=bus.name), text, 0)
                self._found.append(replace(found, facts={"other_identifiers": len(ids)}))
        self._found += unheard.values()
        return super().finish(end)

    def findings(self) -> list[Finding]:
        """Return what `finish` found, and notes of the unknown identifiers."""
        return [*self._found, *self._unknown.notes(self._names, self._explained)]

    def _find_misplaced(self, end: End) -> None:
        """Find the buses that are misplaced, and which of the unknown identifiers are theirs."""
        ids = {name: self._ids(name).of_channel(name) for name in self.counts}
        seen = end.timeline.seen[: len(self._setting.plan.slots)] > 0
        carried = Carried(self._setting, seen, ids)
        self.misplaced = Misplaced.of(carried)
        for bus, channel in self.misplaced.channels.items():
            if channel in self._setting.buses and (keys := ids.get(channel)):
                known = zip(keys, carried.is_of(bus, keys), strict=True)
                self._explained.update(((channel, key), None) for key, is_of in known if is_of)

    def _ids(self, channel: str) -> UnknownIds:
        return self._unknown if channel in self._setting.buses else self._unheard

    def _tell_misplaced(self, session: SessionClock, unheard: list[Finding]) -> Finding:
        moved = self.misplaced
        place = Place(bus=next(iter(moved.channels)) if len(moved.channels) == 1 else None)
        text = moved.text(self._setting.spec.advise)
        parts = (*unheard, *self._unknown.notes_of(self._explained, self._names))
        facts = {"buses": tuple(moved.channels), "channels": tuple(moved.channels.values())}
        return replace(_finding(session, MISSING, place, text, moved.count), parts=parts, facts=facts)

    def _tell_missing(self, bus: Bus, session: SessionClock) -> Finding:
        there = ", ".join(sorted(self.counts)) or "none"
        advice = self._setting.spec.advise({bus.name: "CHANNEL"})
        text = (
            f"Bus {bus.name} listens to channel {bus.channel}, which the capture does not have; "
            f"it has {there}. Name the right one with {advice}."
        )
        return _finding(session, MISSING, Place(bus=bus.name), text, 0)


def _unheard(channel: str, count: int, session: SessionClock) -> Finding:
    text = f"No bus of the spec listens to channel {channel}, which has {times(count, 'frame')}."
    return _finding(session, UNKNOWN_ID, Place(), text, count)


def _finding(session: SessionClock, kind: Kind, place: Place, text: str, count: int) -> Finding:
    return Finding(
        kind=kind,
        severity=kind.severity,
        place=place,
        start_ns=session.start_ns or 0,
        end_ns=session.now_ns,
        open=kind == MISSING,
        count=count,
        text=text,
    )
