"""Identifiers that no description of their bus knows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import listed, plural, times
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import UNKNOWN_ID
from canmap.mapping.groups import group_number

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from canmap.mapping.model import MessageRule

MOST_IDS = 4096  # identifiers that are counted one by one
LISTED_IDS = 64  # unknown identifiers that get a finding of their own


class UnknownIds:
    """How often identifiers came on channels, one by one up to a limit.

    An identifier is a number, extended << 31 | id, and a subject is a channel with one of them.

    Attributes:
        unlisted: Frames of subjects beyond MOST_IDS.
    """

    def __init__(self) -> None:
        self._seen: dict[tuple[str, int], tuple[int, int, int]] = {}
        self.unlisted = 0

    def add(self, subject: tuple[str, int], count: int, first_ns: int, last_ns: int) -> None:
        """Count frames of a subject that came from one session clock to another."""
        known = self._seen.get(subject)
        if known is not None:
            self._seen[subject] = (known[0] + count, known[1], last_ns)
        elif len(self._seen) < MOST_IDS:
            self._seen[subject] = (count, first_ns, last_ns)
        else:
            self.unlisted += count

    def of_channel(self, channel: str) -> list[int]:
        """Return the identifiers of a channel, ascending."""
        return sorted(key for named, key in self._seen if named == channel)

    def rows(self, without: Collection[tuple[str, int]] = ()) -> list[tuple[str, int, bool, int]]:
        """Return (channel, identifier, extended, frames) of the subjects, the most frequent first."""
        rows = [
            (channel, key & 0x1FFF_FFFF, bool(key >> 31), seen[0])
            for (channel, key), seen in self._seen.items()
            if (channel, key) not in without
        ]
        return sorted(rows, key=lambda row: (-row[3], row))

    def notes(self, names: IdNames, without: Collection[tuple[str, int]] = ()) -> list[Finding]:
        """Return one note for each subject, and one for those that are too many to list."""
        return self._notes(
            [subject for subject in self._seen if subject not in without], names, self.unlisted
        )

    def notes_of(self, subjects: Collection[tuple[str, int]], names: IdNames) -> list[Finding]:
        """Return the same of some of the subjects."""
        return self._notes(subjects, names, 0)

    def _notes(self, subjects: Collection[tuple[str, int]], names: IdNames, unlisted: int) -> list[Finding]:
        in_turn = sorted(subjects, key=lambda subject: (self._seen[subject][1], subject))
        found = [names.note(subject, self._seen[subject]) for subject in in_turn[:LISTED_IDS]]
        rest = [self._seen[subject] for subject in in_turn[LISTED_IDS:]]
        if rest:
            count = sum(frames for frames, _, _ in rest) + unlisted
            more = times(len(rest), "more unknown identifier")
            more = f"More than {more}" if unlisted else more
            span_ns = min(first for _, first, _ in rest), max(last for _, _, last in rest)
            note = _note(Place(bus=None), span_ns, count, f"{more} came in {times(count, 'frame')}.")
            found.append(replace(note, facts={"identifiers": len(rest)}))
        return found


class IdNames:
    """Whose description knows what, for sentences.

    Args:
        buses: Name of the bus by its channel.
        rules: The message rules.
    """

    def __init__(self, buses: Mapping[str, str], rules: Iterable[MessageRule]) -> None:
        self._buses = buses
        self._known: dict[int, list[str]] = {}
        self._of_group: dict[tuple[str, int], list[MessageRule]] = {}
        for rule in rules:
            if rule.message.group is not None:
                self._of_group.setdefault((rule.bus, rule.message.group.number), []).append(rule)
            named = self._known.setdefault(rule.message.extended << 31 | rule.message.can_id, [])
            if rule.bus not in named:
                named.append(rule.bus)

    def note(self, subject: tuple[str, int], seen: tuple[int, int, int]) -> Finding:
        """Return the note of a subject, with its frames and the clocks of the first and the last."""
        (channel, key), (count, first_ns, last_ns) = subject, seen
        bus = self._buses[channel]
        name = identifier(key & 0x1FFF_FFFF, extended=bool(key >> 31))
        text = f"The description of bus {bus} does not know {name}, which came {times(count, 'time')}"
        facts: dict[str, str | tuple[str, ...]] = {"id": name}
        if key >> 31 and (own := self._of_group.get((bus, group_number(key & 0x1FFF_FFFF)))):
            text += f"; {_other_source(own)}"
            facts["same_group"] = tuple(rule.message.name for rule in own)
        elif others := self._known.get(key):
            text += f"; that of bus {' and '.join(others)} does, so check which channel each bus has"
            facts["known_by"] = tuple(others)
        return replace(_note(Place(bus=bus), (first_ns, last_ns), count, f"{text}."), facts=facts)


def _other_source(rules: Sequence[MessageRule]) -> str:
    """Which messages have the parameter group of an identifier, and where they are expected to come from."""
    groups = [rule.message.group for rule in rules]
    sources = [f"{group.source:02X}" for group in groups if group is not None and group.source is not None]
    names = listed([rule.message.name for rule in rules], "and")
    are = "is" if len(rules) == 1 else "are"
    from_ = f"{plural(len(sources), 'source address')} {listed(sources, 'and')}"
    what = f"it has the parameter group of {names}, which {are} expected from {from_}"
    return f"{what}: check the `source` in the spec"


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
