"""Checksums that are wrong: frames that came damaged or forged, or a spec that has the checksum wrong.

Where no more payloads have the right checksum than by chance, that is one finding about the spec.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.checks.protection.checksum_evidence import ChecksumEvidence, Sampled, Tried, advice, hashes
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.frames.chunks import widen
from canmap.vocabulary.checksum_profiles import IDENTIFIER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.protection.checksum_evidence import ChecksumOutcome
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.manual import ChecksumRule
    from canmap.signals.prepared import Prepared
    from canmap.signals.protected import ProtectedFrames
    from canmap.stream.view import View

CHECKSUM = Kind("checksum", Severity.ERROR)
_CAME_BITS = 64


class JudgedChunk(NamedTuple):
    """The protected frames of a chunk.

    Attributes:
        frames: They, message after message.
        hashed: uint64[n], the hash of each.
        number: intp[n], which of the protected messages each is of.
        there: How many frames of each message that came have a checksum.
        wrong: How many have a wrong one.
    """

    frames: ProtectedFrames
    hashed: NDArray[np.uint64]
    number: NDArray[np.intp]
    there: list[int]
    wrong: list[int]


class ChecksumCheck(EpisodeCheck[JudgedChunk]):
    """Judges the checksum of every message for which the spec promises one; subjects are slots."""

    kinds = (CHECKSUM,)

    def __init__(self, setting: Setting) -> None:
        self._protections = setting.checksums.protections
        self._rules = {slot: setting.rules[slot] for slot in self._protections}
        self._evidence = {slot: ChecksumEvidence(found) for slot, found in self._protections.items()}
        self._number = {slot: number for number, slot in enumerate(self._protections)}
        self._sampled = Sampled(len(self._number))
        bits = [found.method.width for found in self._protections.values()]
        self._masks = np.array([(1 << width) - 1 for width in bits], np.uint64)  # of the checksums, by number
        hashed_as = [
            (-(-rule.message.length // 8) * 8, IDENTIFIER in self._protections[slot].method.order)
            for slot, rule in self._rules.items()
        ]
        self._ways = list(dict.fromkeys(hashed_as))  # in which frames are hashed: bytes, by identifier too
        self._way = np.array([self._ways.index(one) for one in hashed_as], np.intp)  # by number
        self._seen = dict.fromkeys(self._protections, 0)
        self._last: dict[int, NDArray[np.uint8]] = {}  # payload of the newest frame
        self._wrong_specs: frozenset[int] = frozenset()
        self._ended = False
        self._episodes = Episodes(self._describe, lambda _slot, _value: 0)

    def prepare(self, prepared: Prepared) -> JudgedChunk | None:
        """Tell the payloads of all protected frames of a chunk apart, and count the checksums."""
        frames = prepared.protected
        if frames is None:
            return None
        bounds = np.array(frames.bounds, np.intp)
        begin, counts = bounds[:-1], bounds[1:] - bounds[:-1]
        number = np.array([self._number[slot] for slot in frames.slots], np.intp).repeat(counts)
        verdict = frames.verdict
        there = np.add.reduceat(verdict.there, begin, dtype=np.intp)
        wrong = np.add.reduceat(verdict.wrong, begin, dtype=np.intp)
        hashed = self._hashed(frames, number, prepared.chunk.can_id)
        return JudgedChunk(frames, hashed, number, there.tolist(), wrong.tolist())

    def _hashed(
        self, frames: ProtectedFrames, number: NDArray[np.intp], can_id: NDArray[np.uint32]
    ) -> NDArray[np.uint64]:
        """Return the hash of each frame, uint64[n]; `number`, intp[n], is that of its message."""
        hashed = np.empty(len(number), np.uint64)
        for way, (most, by_id) in enumerate(self._ways):
            alone = len(self._ways) == 1
            chosen = slice(None) if alone else np.flatnonzero(self._way[number] == way)
            ids = can_id.take(frames.rows[chosen]) if by_id else None
            hashed[chosen] = hashes(frames.payload[chosen], frames.length[chosen], most, ids)
        return hashed

    def fold(self, view: View, part: JudgedChunk | None) -> list[Event]:
        """Judge the checksums of one chunk."""
        if part is None:
            return self._episodes.events()
        self._sample(part)
        frames = part.frames
        bounds, newest = frames.bounds, frames.payload[[stop - 1 for stop in frames.bounds[1:]]]
        in_doubt = {*self._episodes.open_subjects}
        for place, slot in enumerate(frames.slots):
            there, wrong = part.there[place], part.wrong[place]
            self._evidence[slot].add(there, wrong)
            if wrong:
                self._look_back(slot, frames, view)
            if wrong or slot in in_doubt:
                self._fold_slot(slot, frames, view)
            self._seen[slot] += bounds[place + 1] - bounds[place]
            self._last[slot] = newest[place]
        return self._episodes.events()

    def finish(self, end: End) -> list[Event]:
        """Conclude which specs are wrong, and close what is open."""
        self._ended = True
        self._wrong_specs = frozenset(slot for slot, known in self._evidence.items() if known.spec_is_wrong)
        return super().finish(end)

    def findings(self) -> list[Finding]:
        """Return all findings so far; a spec that is wrong is one."""
        found = super().findings()
        for slot in self._wrong_specs:
            place = self._place(slot)
            of_spec = sorted(
                (one for one in found if one.place == place), key=lambda one: (one.start_ns, one.end_ns)
            )
            found = [one for one in found if one.place != place]
            whole = replace(
                of_spec[0],
                end_ns=max(one.end_ns for one in of_spec),
                open=any(one.open for one in of_spec),
                count=self._evidence[slot].wrong,
            )
            found.append(whole)
        return found

    @property
    def outcomes(self) -> Mapping[tuple[str, str], ChecksumOutcome]:
        """What is known of each checksum, by bus and message."""
        return {
            (rule.bus, rule.message.name): self._evidence[slot].outcome for slot, rule in self._rules.items()
        }

    def _sample(self, part: JudgedChunk) -> None:
        """Take payloads that may belong there into the sample of each message."""
        frames, verdict = part.frames, part.frames.verdict
        rows = self._sampled.unknown(part.hashed, part.number)
        rows = rows[verdict.there[rows]]
        if not len(rows):
            return
        tried = Tried.of(verdict, frames.length, self._masks[part.number[rows]], rows)
        hashed, places = part.hashed[rows], rows.searchsorted(frames.bounds).tolist()
        samples = {}
        for slot, (begin, end) in zip(frames.slots, pairwise(places), strict=True):
            if begin < end:
                own = slice(begin, end)
                samples[self._number[slot]] = self._evidence[slot].sample(hashed[own], tried.part(own))
        self._sampled.note(samples)

    def _look_back(self, slot: int, frames: ProtectedFrames, view: View) -> None:
        """Count the wrong frames that would be right with the counter of the frame before."""
        protection = self._protections[slot]
        if protection.counter is None:
            return
        part = frames.part_of(slot)
        verdict, length, rows = frames.verdict.part(part), frames.length[part], frames.rows[part]
        width = max(frames.payload.shape[1], len(self._last.get(slot, ())))
        payload = widen(frames.payload[part], width)
        before = np.empty_like(payload)
        before[1:] = payload[:-1]
        first = slot not in self._last
        if not first:
            before[0] = widen(self._last[slot][np.newaxis], width)[0]
        wrong = np.flatnonzero(verdict.wrong)
        wrong = wrong[int(first and bool(len(wrong)) and wrong[0] == 0) :]
        can_id = view.prepared.chunk.can_id[rows[wrong]]
        expected = protection.expected_with_counter_of(payload[wrong], before[wrong], length[wrong], can_id)
        matched = int(np.count_nonzero(expected == verdict.came[wrong]))
        self._evidence[slot].add_previous(len(wrong), matched)

    def _fold_slot(self, slot: int, frames: ProtectedFrames, view: View) -> None:
        part = frames.part_of(slot)
        verdict, rows = frames.verdict.part(part), frames.rows[part]

        def example(index: int) -> int:  # no checksum is worse than another: the first is told
            return int(verdict.expected[index]) << _CAME_BITS | int(verdict.came[index])

        self._episodes.judge(
            subject=slot,
            seen=self._seen[slot],
            faulty=verdict.wrong,
            good=verdict.there & verdict.right,
            clock=view.clock[rows],
            worst=lambda first, _last: example(first),
            line=lambda first: int(view.prepared.chunk.line[rows[first]]),
        )

    def _place(self, slot: int) -> Place:
        rule = self._rules[slot]
        signal = rule.checksum.signal.signal if rule.checksum and rule.checksum.signal else None
        return Place(bus=rule.bus, message=rule.message.name, signal=signal)

    def _describe(self, episode: Episode) -> Finding:
        slot = episode.subject
        place = self._place(slot)
        name = f"{place.message}.{place.signal}" if place.signal else f"The checksum of {place.message}"
        if slot in self._wrong_specs:
            return self._describe_spec(episode, name)
        expected, came = divmod(int(episode.begins_with or 0), 1 << _CAME_BITS)
        digits = -(-self._protections[slot].method.width // 4)
        facts: dict[str, str | float] = {
            "came": f"0x{came:0{digits}X}",
            "expected": f"0x{expected:0{digits}X}",
        }
        had = f"{facts['came']} instead of {facts['expected']}"
        if came == expected:
            had = "another length or data identifier beside it than the spec gives"
        text = f"{name} {_how_many(episode)}: {'it' if episode.count == 1 else 'the first'} had {had}"
        if not episode.more:
            facts |= {"frames": _span(episode), "share": episode.count / _span(episode)}
        more, likely = self._advice(slot)
        text += f"; {more}" if more else ""
        found = episode.finding(CHECKSUM, place, f"{text}{self._page(slot)}.")
        return replace(found, facts={**facts, **likely, **self._said(slot)})

    def _describe_spec(self, episode: Episode, name: str) -> Finding:
        """Return the finding that the spec has a checksum wrong."""
        slot = episode.subject
        rule, known = self._rules[slot].checksum, self._evidence[slot].outcome
        more, likely = self._advice(slot)
        profile = f"{rule.profile}, " if rule and rule.profile else ""
        line = rule.line if rule else 0
        have = "has" if known.passed < 2 else "have"
        passed = f"{known.passed or 'none'} {have} the right checksum"
        text = f"{name} is not what the spec says ({profile}line {line}): "
        text += f"of {known.different_payloads} different payloads {passed}"
        text += ", no more than by chance" if known.passed else ""
        text += f"; {more}{self._page(slot)}." if more else f"{self._page(slot)}."
        facts = {
            "reason": "wrong_spec",
            "different_payloads": known.different_payloads,
            "passed": known.passed,
            "spec_line": line,
            **likely,
            **self._said(slot),
        }
        return replace(episode.finding(CHECKSUM, self._place(slot), text), facts=facts)

    def _advice(self, slot: int) -> tuple[str, Mapping[str, str | tuple[str, ...]]]:
        """Return what the whole stream says is wrong in the spec; nothing while it goes on."""
        evidence = self._evidence[slot]
        return advice(evidence) if self._ended and evidence.only_by_chance else ("", {})

    def _said(self, slot: int) -> Mapping[str, str]:
        """Return what the spec says of the checksum, as facts."""
        rule: ChecksumRule | None = self._rules[slot].checksum
        told = {"profile": rule.profile, "page": rule.page} if rule else {}
        return {name: text for name, text in told.items() if text}

    def _page(self, slot: int) -> str:
        rule: ChecksumRule | None = self._rules[slot].checksum
        return f" (page {rule.page} of the manual)" if rule and rule.page else ""


def _span(episode: Episode) -> int:
    """How many frames came from the first to the last wrong one."""
    return episode.last - episode.first + 1


def _how_many(episode: Episode) -> str:
    if episode.more:
        stretches = times(episode.more, "more stretch")
        return f"was wrong in {times(episode.count, 'frame')}, in {stretches} that are not listed"
    if episode.count == 1:
        return "was wrong in one frame"
    always = " from the start" if episode.from_start and episode.still else ""
    if episode.count == _span(episode):
        return f"was wrong in {times(episode.count, 'frame')} in a row{always}"
    return f"was wrong in {episode.count:,} of {times(_span(episode), 'frame')}{always}"
