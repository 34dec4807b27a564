"""Identifiers that no description of their bus knows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.check import Check
from canmap.checks.tally import Tally, tally, tally_small
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import UNKNOWN_ID
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Event
    from canmap.mapping.model import MessageRule
    from canmap.signals.prepared import Prepared
    from canmap.stream.view import View


LISTED_IDS = 64  # unknown identifiers that get a finding of their own


class UnknownIdCheck(Check[Tally]):
    """Notes the identifiers that the description of their bus does not know."""

    kinds = (UNKNOWN_ID,)

    def __init__(self, setting: Setting) -> None:
        self._known = buses_by_identifier(setting.rules)
        self._buses = tuple(setting.spec.buses.values())
        self._ids: dict[int, tuple[int, int, int]] = {}
        self.unlisted = 0  # frames of identifiers beyond MOST_IDS

    @property
    def counts(self) -> list[tuple[str, int, bool, int]]:
        """(channel, identifier, extended, frames) of every unknown identifier, the most frequent first."""
        rows = [
            (self._buses[key >> 32].channel, key & 0x1FFF_FFFF, bool(key >> 31 & 1), count)
            for key, (count, _, _) in self._ids.items()
        ]
        return sorted(rows, key=lambda row: (-row[3], row))

    def prepare(self, prepared: Prepared) -> Tally | None:
        """Count the data frames on a described bus that have no slot, by bus << 32 | extended << 31 | id."""
        chunk, bus = prepared.chunk, prepared.bus
        is_unknown = (prepared.slot < 0) & (bus >= 0)
        if chunk.kind.any():
            is_unknown &= chunk.kind == FrameKind.DATA
        frames = is_unknown.nonzero()[0]
        if not len(frames):
            return None
        can_id, bus = chunk.can_id.take(frames), bus.take(frames)
        if chunk.extended.any():
            extended = chunk.extended.take(frames).astype(np.int64)
            return tally(bus.astype(np.int64) << 32 | extended << 31 | can_id, frames)
        keys = can_id.astype(np.intp)
        if bus.any():
            keys |= bus.astype(np.intp) << 11
        counted = tally_small(keys, frames)
        return replace(counted, keys=(counted.keys >> 11) << 32 | (counted.keys & 0x7FF))

    def fold(self, view: View, part: Tally | None) -> list[Event]:
        """Count the unknown identifiers of one chunk."""
        for key, count, first_ns, last_ns in part.rows(view.clock) if part else ():
            known = self._ids.get(key)
            if known is not None:
                self._ids[key] = (known[0] + count, known[1], last_ns)
            elif len(self._ids) < MOST_IDS:
                self._ids[key] = (count, first_ns, last_ns)
            else:
                self.unlisted += count
        return []

    def findings(self) -> list[Finding]:
        """Return one note for each unknown identifier, and one for those that are too many to list."""
        listed = sorted(self._ids, key=lambda key: (self._ids[key][1], key))
        found = [self._describe(key) for key in listed[:LISTED_IDS]]
        rest = [self._ids[key] for key in listed[LISTED_IDS:]]
        if rest:
            count = sum(frames for frames, _, _ in rest) + self.unlisted
            more = times(len(rest), "more unknown identifier")
            more = f"More than {more}" if self.unlisted else more
            found.append(
                _note(
                    Place(bus=None),
                    (min(first for _, first, _ in rest), max(last for _, _, last in rest)),
                    count,
                    f"{more} came in {times(count, 'frame')}.",
                )
            )
        return found

    def _describe(self, key: int) -> Finding:
        count, first_ns, last_ns = self._ids[key]
        bus = self._buses[key >> 32].name
        can_id, extended = key & 0x1FFF_FFFF, bool(key >> 31 & 1)
        name = identifier(can_id, extended=extended)
        text = f"The description of bus {bus} does not know {name}, which came {times(count, 'time')}"
        if others := self._known.get((can_id, extended)):
            text += f"; that of bus {' and '.join(others)} does, so check which channel each bus has"
        text += "."
        return _note(Place(bus=bus), (first_ns, last_ns), count, text)


def buses_by_identifier(rules: Iterable[MessageRule]) -> dict[tuple[int, bool], list[str]]:
    """Return the buses whose description knows an identifier, by it and whether it has 29 bits."""
    buses: dict[tuple[int, bool], list[str]] = {}
    for rule in rules:
        named = buses.setdefault((rule.message.can_id, rule.message.extended), [])
        if rule.bus not in named:
            named.append(rule.bus)
    return buses


MOST_IDS = 4096  # unknown identifiers that are counted one by one


def identifier(can_id: int, *, extended: bool) -> str:
    """Return an identifier in hexadecimal: three digits, or eight for 29 bits."""
    return f"{can_id:08X}" if extended else f"{can_id:03X}"


def _note(place: Place, span_ns: tuple[int, int], count: int, text: str) -> Finding:
    return Finding(
        kind=UNKNOWN_ID,
        severity=UNKNOWN_ID.severity,
        place=place,
        start_ns=span_ns[0],
        end_ns=span_ns[1],
        count=count,
        text=text,
    )
