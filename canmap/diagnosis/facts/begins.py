"""Between which moments an episode began.

It is seen only at the next sample of whatever shows it first: where several may be the first, it began
somewhere in the time that they span. What shows only now and then may have begun some of its pauses before,
but nothing began before the last sign of an earlier episode.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.atoms_of_order import (
    LONGEST_SAMPLE_NS,
    When,
    brief_openings,
    first_of_changes,
    is_stop,
    refusal,
)
from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.onsets import OF_KIND, axis_changes
from canmap.frames.chunks import FrameKind
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.findings.finding import Finding

COMES_FIRST = {"past_threshold", "sent_twice", "flood"}  # what else is seen may follow from these
LINK_NS = 600 * MS  # that a receiver of a radio stop waits before it opens the loop; common practice: 500 ms
INPUT_NS = 10 * MS  # from an input to what the next frame says, a cycle of a task; common practice
TRANSIT_NS = 2 * MS  # from what a frame says to its stamp
HOLD_UP_NS = 300 * MS  # that capacitors of a node carry on without supply; common practice
OF_SUPPLY = {"supply_group", "several_began_anew"}
PAUSES = 2  # of the longest between two signs: so long before the first sign it may have begun
LEAST_PAUSE_NS = 750 * MS  # where there is only one, that of a contact on a rough road; common practice
MOMENT_NS = 500 * MS  # a stop loop that opens for less is a contact
MEANS = 7  # of the mean time between signs: the first comes later than that once in a thousand times
FRAMES_BEFORE = {"two_senders": 6, "disagree": 2, "railed": 2}  # that it takes to be known
FRAMES_OF_PAUSES = 1000  # frames, by which the longest usual pause is known
ASKING = {"pressed", "link_lost"}  # fields of whoever asks for a stop
SLOW = {"tracking"}  # shows only once there was something to follow
SEEN_NOW_AND_THEN = {"loss", "relay"}  # of signs of which only number and span are known


def begins_between(case: CaseFile, evidence: Iterable[Evidence]) -> tuple[int, int]:
    """Return between which moments, session clock, an episode began."""
    if case.from_start:
        return case.begin_ns, case.begin_ns
    seen = [*_of_changes(case), *_of_silences(case), *_of_findings(case)]
    first = [one.from_ns for one in evidence if one.value in COMES_FIRST]
    early_ns = [from_ns for from_ns in first if from_ns >= case.own_from_ns]
    seen += [When(from_ns - LONGEST_SAMPLE_NS, from_ns) for from_ns in early_ns]
    if not seen:
        seen.append(When(case.begin_ns - LONGEST_SAMPLE_NS, case.begin_ns))
    until_ns = min(one.until_ns for one in seen)
    after_ns = min(one.after_ns for one in seen if one.after_ns <= until_ns)
    lost = any(one.atom is Atom.STOP_CHAIN and one.value == "lost" for one in evidence)
    told = any(one.atom is Atom.STOP_CHAIN and one.value in {"pressed", "open", "cut"} for one in evidence)
    unfed = not told and any(one.value in OF_SUPPLY for one in evidence)
    after_ns -= max(LINK_NS * lost, HOLD_UP_NS * unfed)
    earlier_ns = case.span.earlier_ns
    return after_ns if earlier_ns is None else max(after_ns, min(earlier_ns, until_ns)), until_ns


def _of_changes(case: CaseFile) -> Iterator[When]:
    """An axis that let go, at the latest so long after as its watchdog lasts; a stop that was told."""
    axis = first_of_changes(
        [one for one in axis_changes(case.result) if one.before is AxisState.ACTIVE], case
    )
    if axis is not None:
        watchdogs_ns = [one.watchdog_ns or 0 for one in case.spec.manual.demands]
        yield When(axis.after_ns - max(watchdogs_ns, default=0), axis.until_ns)
    stop = _stop(case)
    if stop is not None:
        yield stop
    held_ns = [one.held_ns for one in case.result.changes if is_stop(case, one) and one.held_ns]
    if stop is not None and min(held_ns, default=MOMENT_NS) < MOMENT_NS:  # it may have opened unseen before
        yield When(stop.after_ns - PAUSES * LEAST_PAUSE_NS, stop.until_ns)
    for opened in brief_openings(case)[:1]:
        yield When(opened.start_ns - PAUSES * LEAST_PAUSE_NS, opened.start_ns)


def _stop(case: CaseFile) -> When | None:
    """When a stop began; what asks for it does so before the loop opens, whichever is told first."""
    stops = [one for one in case.result.changes if is_stop(case, one)]
    first = first_of_changes(stops, case)
    asked = first_of_changes([one for one in stops if one.field in ASKING], case)
    if first is None:
        return None
    if asked is None or asked.after_ns > first.until_ns:
        return When(first.after_ns - INPUT_NS, first.until_ns)
    return When(asked.after_ns, min(asked.until_ns, first.until_ns))


def _of_silences(case: CaseFile) -> Iterator[When]:
    originals = [gap for gap in case.first_silent if case.roles[gap.slot] is not Role.COPY]
    silent = originals or case.first_silent  # a copy comes later than what it is a copy of
    if silent:
        delays_ns = [relay.delay_ns or 0 for gap in silent if (relay := case.rules[gap.slot].relay_of)]
        due_ns = min(gap.due_ns for gap in silent)
        yield When(case.silent_from_ns - max(delays_ns, default=0) - TRANSIT_NS, due_ns)
    refused = refusal(case)
    if refused is not None:
        yield refused


def _of_findings(case: CaseFile) -> Iterator[When]:
    """What the checks found, but for silences: from the last good frame, or earlier, to the first bad one."""
    kinds = [kind for kind in OF_KIND if kind not in {"stale", "recording_gap", "state", "bus_error"}]
    for finding in case.findings(*kinds):
        early = case.own_from_ns <= finding.start_ns <= case.begin_ns + LONGEST_SAMPLE_NS
        early |= _goes_on(case, finding)
        if early and finding.severity != "note":
            yield _of_finding(case, finding)
    if any(case.findings("bus_error")):
        chunk = case.window.prepared.chunk
        yield _of_signs(chunk.t_ns[(chunk.kind == FrameKind.ERROR) & (chunk.t_ns >= case.begin_ns)], case)


def _goes_on(case: CaseFile, finding: Finding) -> bool:
    """Whether it goes on with what a silence was only the longest of: frames missing here and there."""
    named = finding.place.bus, finding.place.message
    return finding.kind in SEEN_NOW_AND_THEN and any(
        (case.rules[gap.slot].bus, case.rules[gap.slot].message.name) == named
        and gap.next_ns == finding.start_ns
        for gap in case.first_silent
    )


def _of_finding(case: CaseFile, finding: Finding) -> When:
    named = finding.place.bus, finding.place.message
    slots = [slot for slot, rule in enumerate(case.rules) if (rule.bus, rule.message.name) == named]
    clock = case.clock(slots[0]) if slots else case.window.prepared.chunk.t_ns
    before, after = clock[clock < finding.start_ns], clock[clock > finding.start_ns]
    until_ns = int(after[0]) if len(after) else finding.start_ns
    if finding.kind == "restart":
        return When(finding.start_ns, finding.end_ns)
    if finding.kind == "time_order":  # nothing tells how long the pause was between the frames at the step
        longest_ns = int(np.diff(before[-FRAMES_OF_PAUSES:]).max(initial=MS))
        return When(finding.start_ns, finding.start_ns + longest_ns)
    if finding.kind in SLOW:
        return When(case.window.from_ns, finding.start_ns)
    if finding.kind in SEEN_NOW_AND_THEN:
        mean_ns = (finding.end_ns - finding.start_ns) // max(finding.count, 1)
        return When(finding.start_ns - max(MEANS * mean_ns, LONGEST_SAMPLE_NS), until_ns)
    alike = [one.start_ns for one in case.findings(finding.kind) if one.place == finding.place]
    contact = finding.kind == "out_of_range" and slots and case.roles[slots[0]] is not Role.COMPUTER
    if len(alike) > 1 or contact:
        return When(_of_signs(np.array(sorted(alike)), case).after_ns, until_ns)
    last = before[-FRAMES_BEFORE.get(finding.kind, 1) :]
    return When(int(last[0]) - TRANSIT_NS if len(last) else case.window.from_ns, until_ns)


def _of_signs(stamps_ns: np.ndarray, case: CaseFile) -> When:
    """What shows now and then: as long before the first sign as two of the longest pauses between signs."""
    if not len(stamps_ns):
        return When(case.begin_ns - LONGEST_SAMPLE_NS, case.begin_ns)
    pause_ns = int(np.diff(stamps_ns).max(initial=LONGEST_SAMPLE_NS // PAUSES))
    pause_ns = max(pause_ns, LEAST_PAUSE_NS)
    return When(int(stamps_ns[0]) - PAUSES * pause_ns, int(stamps_ns[0]))
