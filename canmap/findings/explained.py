"""What a finding explains of others is told with it, and not a second time.

Lost frames make a rate look slow, frames that waited make it look quick, and a gap in the recording or a
silence is the reason for both. What two senders of one message explain is in `shared_messages`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.findings.finding import Severity, worst
from canmap.findings.kinds import BURST, COUNTER, DUPLICATE, LOSS, RATE, RECORDING_GAP, STALE
from canmap.timing.timers import Count

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.findings.finding import Finding

NEAR_NS = 1_000_000_000  # a window in which a rate is judged
OF_RATE = 1 / 6  # lost of all: then the mean period is a fifth more than promised
MAY_HAVE_COME = (
    "The counter of the demand went on by as many frames as fell out: the kit may have got what the recorder "
    "did not."
)
MOST_REASONS = 1000  # that are looked at for one sort of explanation, as each is compared with every finding


def without_rates_explained(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings; rates that are off because frames were lost or waited are parts of those.

    Where times alone tell that so many are lost that a rate is off all the time, it is the rate that is told.
    """
    findings = list(findings)
    slow = [one for one in findings if one.kind == RATE]
    findings = told_with(findings, slow, _is_rather_a_rate)
    reasons = [one for one in findings if one.kind in {LOSS, BURST} and one.severity is not Severity.NOTE]
    return told_with(findings, reasons[:MOST_REASONS], _makes_rate)


def without_what_was_recorded_twice(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings; what comes of a channel that several captures recorded is a part of that.

    Where the clocks of the captures differ, each frame comes again, as if its sender repeated it and were
    twice as quick. The finding is then as severe as the worst of it.
    """
    findings = list(findings)
    reasons = [one for one in findings if one.kind == DUPLICATE and "captures" in one.facts]
    told = told_with(findings, reasons, _comes_of_recorders) if reasons else findings
    return [
        replace(one, severity=worst(each.severity for each in (one, *one.parts)))
        if one.kind == DUPLICATE
        else one
        for one in told
    ]


def with_silence(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings; what came of a silence or a gap in the recording is a part of that."""
    findings = list(findings)
    gaps = [one for one in findings if one.kind == RECORDING_GAP]
    findings = told_with(findings, gaps[:MOST_REASONS], _counted_in)
    reasons = [one for one in findings if one.kind in {STALE, RECORDING_GAP}]
    return told_with(findings, reasons[:MOST_REASONS], _comes_of)


def with_doubtful_watchdogs(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings; an axis that stayed active is a warning where its demand may have come.

    That is so in a silence over which the counter of the demand went on by as many frames as fell out: they
    were sent, and the kit may have got what the recorder did not.
    """
    findings = list(findings)
    sent = [
        part
        for one in findings
        if one.kind == STALE
        for part in (one.parts or (one,))
        if part.facts.get("counter") == Count.BY_LOST
    ]
    if not sent:
        return findings

    def is_doubtful(one: Finding) -> bool:
        return (
            one.kind == "watchdog"
            and one.severity is Severity.ERROR
            and not one.open
            and any(
                one.place.message == s.place.message and s.start_ns <= one.start_ns <= s.end_ns for s in sent
            )
        )

    return [
        replace(one.with_sentence(MAY_HAVE_COME), severity=Severity.WARNING) if is_doubtful(one) else one
        for one in findings
    ]


def told_with(
    findings: list[Finding], reasons: list[Finding], explains: Callable[[Finding, Finding], bool]
) -> list[Finding]:
    """Return the findings, those that a reason explains as parts of the first that does."""
    parts: dict[int, list[Finding]] = {}
    rest = []
    for finding in findings:
        reason = next((one for one in reasons if one is not finding and explains(one, finding)), None)
        if reason is None:
            rest.append(finding)
        else:
            parts.setdefault(id(reason), []).append(finding)
    return [replace(one, parts=(*one.parts, *parts.get(id(one), ()))) for one in rest]


def _comes_of_recorders(reason: Finding, finding: Finding) -> bool:
    """Whether frames that came twice, repeated their counter or came too often are of two recorders."""
    too_often = (finding.value or 0.0) < (finding.limit or 0.0)
    return (
        (finding.kind in {DUPLICATE, COUNTER} or (finding.kind == RATE and too_often))
        and finding.place.bus == reason.place.bus
        and finding.start_ns >= reason.start_ns - NEAR_NS
        and finding.end_ns <= reason.end_ns + NEAR_NS
    )


def _is_rather_a_rate(rate: Finding, loss: Finding) -> bool:
    """Whether so many frames seem lost, by time, in a rate that is too slow."""
    share = loss.facts.get("share", 0.0)
    if loss.kind != LOSS or loss.place != rate.place or loss.facts.get("told_by") != "time":
        return False
    meanwhile = loss.start_ns <= rate.end_ns and rate.start_ns <= loss.end_ns
    return meanwhile and isinstance(share, float) and share > OF_RATE


def _makes_rate(reason: Finding, finding: Finding) -> bool:
    """Whether lost frames explain a rate that is too slow, or frames that waited one that is too quick."""
    if finding.kind != RATE or not finding.value or not finding.limit:
        return False
    slow = finding.value > finding.limit
    if slow is not (reason.kind == LOSS):
        return False
    return any(
        one.place == finding.place
        and one.start_ns - NEAR_NS <= finding.start_ns <= one.end_ns + NEAR_NS
        and (finding.end_ns <= one.end_ns + NEAR_NS or (not slow and finding.count == 1))
        for one in (reason.parts or (reason,))
    )


def _counted_in(gap: Finding, finding: Finding) -> bool:
    """Whether it is what a counter says of a gap in the recording, in which its message is missed."""
    return (
        finding.kind == LOSS
        and finding.severity is Severity.NOTE
        and any(
            (part.place.bus, part.place.message) == (finding.place.bus, finding.place.message)
            and part.start_ns <= finding.start_ns <= part.end_ns
            for part in gap.parts
        )
    )


def _comes_of(reason: Finding, finding: Finding) -> bool:
    """Whether frames were lost or waited at one time, in a silence of theirs or a gap of the recording."""
    if finding.kind not in {LOSS, BURST} or finding.severity is Severity.NOTE:
        return False
    if reason.kind == STALE and (finding.kind != BURST or finding.place != reason.place):
        return False
    if reason.place.bus not in {None, finding.place.bus}:
        return False
    lasted_ns = reason.end_ns - reason.start_ns
    ones = [one for one in finding.parts if one.kind == finding.kind] or [finding]
    return all(
        (one.kind == BURST or one.count == one.value)
        and reason.start_ns - lasted_ns <= one.start_ns <= reason.end_ns + lasted_ns
        and one.start_ns <= reason.end_ns + lasted_ns // 2
        and one.end_ns >= reason.start_ns
        and one.end_ns - one.start_ns <= 3 * lasted_ns
        for one in ones
    )
