"""What a program calls: why a vehicle stopped, from its captures and its spec."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.api.inspect import _loaded, _paths, inspect_intake
from canmap.base.errors import UsageError
from canmap.diagnosis.case_file import CaseFile, Window
from canmap.diagnosis.diagnose import Diagnosis, diagnosed
from canmap.diagnosis.onsets import episodes_of
from canmap.engine.engine import Engine
from canmap.engine.intake import Intake
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.frames.session import SessionClock
from canmap.frames.window import Window as CaptureWindow

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canmap.api.inspect import Captures, SpecOrPath
    from canmap.diagnosis.onsets import EpisodeSpan
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

SECOND_NS = 1_000_000_000
BEFORE_NS = 4 * SECOND_NS  # of the frames before an episode that are looked at
AFTER_NS = 2 * SECOND_NS  # after its end
LEAST_NS = 8 * SECOND_NS  # after its begin
LONGEST_NS = 60 * SECOND_NS  # of an episode that is looked at


def diagnose(
    captures: Captures,
    spec: SpecOrPath,
    *,
    at_s: float | None = None,
    axis: str | None = None,
    message: str | None = None,
) -> Diagnosis:
    """Return why the vehicle stopped, messages fell silent or demands were refused, episode by episode.

    Captures are read twice: whole, and then for the frames around each episode.

    Args:
        captures: One capture or several of one session.
        spec: From `load_spec`, or the path of one.
        at_s: Only the episode nearest to that time, in s from the first frame.
        axis: Only episodes in which that record's axis left its active state.
        message: Only episodes that are about that message.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame.
        SpecError: The spec at a path has mistakes.
        UsageError: A capture is standard input, or no axis or message has that name.
    """
    paths, loaded = _paths(captures), _loaded(spec)
    require_files(paths)
    return diagnose_intake(
        lambda: Intake(open_captures(paths)), loaded, at_s=at_s, axis=axis, message=message
    )


def require_files(paths: Sequence[str]) -> None:
    """Check that captures can be read twice.

    Raises:
        UsageError: One is standard input.
    """
    if "-" in paths:
        raise UsageError("A diagnosis reads its captures twice: give files, not standard input.")


def diagnose_intake(
    opened: Callable[[], Intake],
    spec: Spec,
    *,
    at_s: float | None = None,
    axis: str | None = None,
    message: str | None = None,
) -> Diagnosis:
    """Diagnose what intakes read, each of which `opened` makes anew; see `diagnose`."""
    require_names(spec, axis, message)
    result = inspect_intake(opened(), spec)
    spans = chosen(episodes_of(result), result, at_s=at_s, axis=axis, message=message)
    intake = opened()
    try:
        cases = case_files(intake.chunks(), spans, result, spec, intake.window) if spans else []
    finally:
        intake.close()
    return Diagnosis(result, tuple(map(diagnosed, cases)), spec.path)


def require_names(spec: Spec, axis: str | None, message: str | None) -> None:
    """Check that what narrows a diagnosis exists.

    Raises:
        UsageError: It does not.
    """
    if axis is not None:
        spec.require_records([axis])
    names = {rule.message.name for rule in spec.messages}
    if message is not None and message not in names:
        raise UsageError(f"{spec.path} describes no message {message}; give one that its buses describe.")


def chosen(
    spans: Sequence[EpisodeSpan],
    result: Inspection,
    *,
    at_s: float | None,
    axis: str | None,
    message: str | None,
) -> list[EpisodeSpan]:
    """Return the episodes that are asked for."""
    kept = list(spans)
    if axis is not None:
        kept = [span for span in kept if any(one.subject.startswith(f"{axis}.") for one in span.onsets)]
    if message is not None:
        kept = [span for span in kept if _is_about(span, result, message)]
    if at_s is not None and kept:
        kept = [min(kept, key=lambda span: abs(result.seconds(span.begin_ns) - at_s))]
    return kept


def _is_about(span: EpisodeSpan, result: Inspection, message: str) -> bool:
    if any(one.subject == message for one in span.onsets):
        return True
    return any(
        part.place.message == message
        for finding in result.findings
        if span.begin_ns <= finding.start_ns <= span.end_ns
        for part in (finding, *finding.parts)
    )


def case_files(
    chunks: Iterable[FrameChunk],
    spans: Sequence[EpisodeSpan],
    result: Inspection,
    spec: Spec,
    window: CaptureWindow | None = None,
) -> list[CaseFile]:
    """Return the case file of each episode, with the frames around it out of `chunks`, the whole capture."""
    limits = [_limits(span) for span in spans]
    parts: list[list[FrameChunk]] = [[] for _ in spans]
    clock = SessionClock()
    clock.go_on_from(lambda: window.before if window else None)
    last_ns = 0
    for chunk in chunks:
        now = clock.advance(chunk.t_ns)
        if not len(now):
            continue
        last_ns = int(now[-1])
        if all(to_ns <= now[0] for _, to_ns in limits):
            break
        for own, (from_ns, to_ns) in zip(parts, limits, strict=True):
            start, stop = now.searchsorted(from_ns), now.searchsorted(to_ns)
            if start < stop:
                piece = chunk.take(slice(int(start), int(stop)))
                own.append(replace(piece, t_ns=now[start:stop]))
    return [
        _case(span, join(own), (from_ns, min(to_ns, last_ns + 1)), result, spec)
        for span, own, (from_ns, to_ns) in zip(spans, parts, limits, strict=True)
    ]


def _limits(span: EpisodeSpan) -> tuple[int, int]:
    """The session clock from which on and until which the frames around an episode are looked at."""
    end_ns = min(span.end_ns + AFTER_NS, span.begin_ns + LONGEST_NS)
    return span.begin_ns - BEFORE_NS, max(end_ns, span.begin_ns + LEAST_NS)


def _case(
    span: EpisodeSpan, chunk: FrameChunk, limits: tuple[int, int], result: Inspection, spec: Spec
) -> CaseFile:
    engine = Engine(spec)
    (prepared,) = engine.prepared([chunk])
    step = engine.fold(prepared)
    records = {records.name: records for records in step.records}
    return CaseFile(span, Window(prepared, records, *limits), result, spec, engine.plan, engine.rules)
