"""Lines of captures that cannot be read, and captures that end too early."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import times
from canmap.checks.check import Check
from canmap.findings.episodes import Told
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.chunks import BadLine
    from canmap.stream.view import View

BAD_LINE = Kind("bad_line", Severity.WARNING)
TRUNCATED = Kind("truncated", Severity.WARNING)  # what is there is good; the rest is not the vehicle's fault
LISTED_LINES = 20  # bad lines that do


class BadLineCheck(Check[None]):
    """Reports the lines of the captures that could not be read, and the captures that end too early.

    Attributes:
        count: Bad lines so far.
    """

    kinds = (BAD_LINE, TRUNCATED)

    def __init__(self, setting: Setting) -> None:
        self._listed: list[Finding] = []
        self._truncated: list[Finding] = []
        self._more_from_ns: int | None = None
        self._now_ns = 0
        self.count = 0

    def fold(self, view: View, _part: None) -> list[Event]:
        """Take in the bad lines of one chunk."""
        chunk = view.prepared.chunk
        self._now_ns = view.session.now_ns
        if not chunk.bad_count:
            return []
        events: list[Event] = []
        for bad in chunk.bad:
            at_ns = view.before_ns if bad.position == 0 else int(view.clock[bad.position - 1])
            if bad.truncated:
                self._truncated.append(_of_line(TRUNCATED, at_ns, bad))
                events.append(Told(self._truncated[-1], at_ns))
            elif len(self._listed) < LISTED_LINES:
                self._listed.append(_of_line(BAD_LINE, at_ns, bad))
                events.append(Told(self._listed[-1], at_ns))
            elif self._more_from_ns is None:
                self._more_from_ns = at_ns
        self.count += chunk.bad_count - sum(bad.truncated for bad in chunk.bad)
        return events

    def finish(self, end: End) -> list[Event]:
        """Return what was too much to list."""
        return [Told(finding) for finding in self._rest()]

    def findings(self) -> list[Finding]:
        """Return one finding for each listed line, one for the rest, and one for each truncated capture."""
        return [*self._listed, *self._rest(), *self._truncated]

    def _rest(self) -> list[Finding]:
        rest = self.count - len(self._listed)
        if not rest or self._more_from_ns is None:
            return []
        text = f"{times(rest, 'more line')} cannot be read."
        more = Finding(
            kind=BAD_LINE,
            severity=BAD_LINE.severity,
            place=Place(),
            start_ns=self._more_from_ns,
            end_ns=self._now_ns,
            count=rest,
            text=text,
        )
        return [more]


def _of_line(kind: Kind, at_ns: int, bad: BadLine) -> Finding:
    return Finding(
        kind=kind,
        severity=kind.severity,
        place=Place(),
        start_ns=at_ns,
        end_ns=at_ns,
        text=bad.text,
        line=bad.line or None,
        facts={"capture": bad.capture, "unread": bad.why.kind.value, "why": bad.reason},
    )
