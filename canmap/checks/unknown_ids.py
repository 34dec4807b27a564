"""Identifiers that no description of their bus knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.findings.episodes import Told
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import UNKNOWN_ID

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canmap.findings.episodes import Event
    from canmap.mapping.model import MessageRule
    from canmap.stream.view import View


LISTED_IDS = 64  # unknown identifiers that get a finding of their own


class UnknownIdCheck:
    """Notes the identifiers and channels that no description knows.

    Args:
        buses: Bus names in the plan's order.
        channels: Channel of each.
        known: Buses whose description knows an identifier, by the identifier and whether it has 29 bits.
    """

    kinds = (UNKNOWN_ID,)

    def __init__(
        self,
        buses: Sequence[str],
        channels: Sequence[str],
        known: Mapping[tuple[int, bool], Sequence[str]] | None = None,
    ) -> None:
        self._known = known or {}
        self._buses, self._channels = tuple(buses), tuple(channels)
        self._ids: dict[int, tuple[int, int, int]] = {}
        self._described = frozenset(channels)
        self.unlisted = 0  # frames of identifiers beyond MOST_IDS

    @property
    def counts(self) -> list[tuple[str, int, bool, int]]:
        """(channel, identifier, extended, frames) of every unknown identifier, the most frequent first."""
        rows = [
            (self._channels[key >> 32], key & 0x1FFF_FFFF, bool(key >> 31 & 1), count)
            for key, (count, _, _) in self._ids.items()
        ]
        return sorted(rows, key=lambda row: (-row[3], row))

    def fold(self, view: View) -> list[Event]:
        """Count the unknown identifiers of one chunk."""
        unknown = view.prepared.unknown
        columns = (unknown.keys, unknown.counts, view.clock[unknown.first], view.clock[unknown.last])
        order = np.argsort(unknown.first)  # as they arrived, so that any cutting keeps the same ones
        for key, count, first_ns, last_ns in zip(
            *(column[order].tolist() for column in columns), strict=True
        ):
            known = self._ids.get(key)
            if known is not None:
                self._ids[key] = (known[0] + count, known[1], last_ns)
            elif len(self._ids) < MOST_IDS:
                self._ids[key] = (count, first_ns, last_ns)
            else:
                self.unlisted += count
        return []

    def finish(self) -> list[Event]:
        """Return what is known only at the end: all of it."""
        return [Told(finding) for finding in self.findings()]

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
        bus = self._buses[key >> 32]
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
