"""Steps of the source's clock.

What is told of a step does not depend on how the stream is cut: that it began, by what was known then, and
that it is over once it cannot change any more. The last one that is kept takes in every later step, so that
it is over only at the end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import seconds, times
from canmap.checks.check import Check
from canmap.findings.episodes import Closed, Opened, Told
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.frames.session import STEPS_KEPT, TimeStep

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.session import SessionClock
    from canmap.stream.view import View

TIME_ORDER = Kind("time_order", Severity.WARNING)
MOST_AT_ONCE = 100  # frames that may have come at one moment, where that is all there is


class ClockStepCheck(Check[None]):
    """Reports the steps of the source's clock, and a source that has no clock."""

    kinds = (TIME_ORDER,)

    def __init__(self, setting: Setting) -> None:
        self._session: SessionClock | None = None
        self._begun = self._ended = self._frames = 0
        self._stands: list[Finding] = []

    def fold(self, view: View, _part: None) -> list[Event]:
        """Report the steps that have begun, and those that have ended."""
        self._session = view.session
        self._frames += len(view.prepared.chunk)
        steps = view.session.steps
        ended = [step for step in steps[: STEPS_KEPT - 1] if step.end_ns is not None]
        events: list[Event] = [
            Opened(self._describe(step, begins=True), step.start_ns) for step in steps[self._begun :]
        ]
        events += [Closed(self._describe(step), step.end_ns) for step in ended[self._ended :]]
        self._begun, self._ended = len(steps), len(ended)
        return events

    def finish(self, end: End) -> list[Event]:
        """Report the step that had not, the one that takes in what follows, and a clock that stands."""
        if self._frames > MOST_AT_ONCE and end.session.now_ns == end.session.start_ns:
            self._stands = [self._describe_standing(end.session.now_ns)]
        told = [Told(finding) for finding in self._stands]
        return [*(Closed(self._describe(step)) for step in end.session.steps[self._ended :]), *told]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        steps = [] if self._session is None else self._session.steps
        return [*map(self._describe, steps), *self._stands]

    def _describe_standing(self, now_ns: int) -> Finding:
        """Return the finding of a source whose frames all have one stamp."""
        return Finding(
            kind=TIME_ORDER,
            severity=TIME_ORDER.severity,
            place=Place(),
            start_ns=now_ns,
            end_ns=now_ns,
            open=True,
            count=self._frames,
            text=(
                f"All {times(self._frames, 'frame')} have one stamp, so that silence, rates and ages are not "
                "known: have the recorder stamp them."
            ),
        )

    def _describe(self, step: TimeStep, *, begins: bool = False) -> Finding:
        """Return the finding of a step; where it `begins`, by what was known then."""
        if begins:
            step = TimeStep(step.start_ns, None, step.step_ns)
        now_ns = self._session.now_ns if self._session and not begins else step.start_ns
        way = "back" if step.step_ns < 0 else "forward"
        end = ", and had not caught up at the end" if step.end_ns is None else ", until they had caught up"
        again = f" ({times(step.count, 'step')})" if step.count > 1 else ""
        return Finding(
            kind=TIME_ORDER,
            severity=TIME_ORDER.severity,
            place=Place(),
            start_ns=step.start_ns,
            end_ns=now_ns if step.end_ns is None else step.end_ns,
            open=step.end_ns is None,
            count=step.count,
            value=step.step_ns / 1e9,
            text=(
                f"The stamps stepped {way} by {seconds(abs(step.step_ns))}{again}{'' if begins else end}; "
                "the session clock continued from where it was."
            ),
        )
