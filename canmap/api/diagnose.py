"""What a program calls: why a vehicle stopped, from its captures and its spec."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.api.inspect import _loaded, _paths, inspect_intake
from canmap.base.errors import UsageError
from canmap.base.words import first_of
from canmap.diagnosis.diagnosis import Diagnosis, diagnosed
from canmap.diagnosis.facts.case_file import CaseFile, EpisodeFrames
from canmap.diagnosis.facts.handed_back import is_end_of_drive
from canmap.diagnosis.onsets import episodes_of
from canmap.diagnosis.telling.deciding import never_came, unwatched
from canmap.engine.engine import Engine
from canmap.engine.intake import Intake
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.frames.session import SessionClock
from canmap.mapping.reading.mistakes import Faults
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.api.inspect import Captures, SpecOrPath
    from canmap.diagnosis.onsets import EpisodeSpan
    from canmap.frames.chunks import FrameChunk
    from canmap.frames.window import Window
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

SECOND_NS = 1_000_000_000
BEFORE_NS = 4 * SECOND_NS  # of the frames before an episode that are looked at
AFTER_NS = 2 * SECOND_NS  # after its end
LEAST_NS = 8 * SECOND_NS  # after its begin
MOST_TIMES = 8  # of episodes that an error names
LONGEST_NS = 60 * SECOND_NS  # of an episode that is looked at
NEAR_NS = 5 * SECOND_NS  # so far from an episode a time may be that is to name it


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
        at_s: Only the episode at that time, in s from the first frame, or the nearest within 5 s of it.
        axis: Only episodes in which that record's axis left its active state, or what tells it fell silent.
        message: Only episodes that are about that message.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame.
        SpecError: The spec at a path has mistakes.
        UsageError: A capture is standard input, `at_s` is no time or no episode is near it, or no axis or
            message has that name.
    """
    paths, loaded = _paths(captures), _loaded(spec)
    require_files(paths)
    return diagnose_intake(
        lambda: Intake(open_captures(paths)), loaded, at_s=at_s, axis=axis, message=message
    )


def require_files(paths: Sequence[str]) -> None:
    """Check that captures can be read twice.

    Raises:
        UsageError: One is standard input, or a pipe.
    """
    if "-" in paths:
        raise UsageError("A diagnosis reads its captures twice: give files, not standard input.")
    for path in paths:
        if Path(path).is_fifo():
            raise UsageError(f"A diagnosis reads its captures twice: give files, not a pipe ({path}).")


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
    if at_s is not None and not math.isfinite(at_s):
        raise UsageError(f"{at_s:g} is not a time; give seconds from the first frame.")
    result = inspect_intake(opened(), spec)
    found = episodes_of(result)
    narrowed = partial(chosen, result=result, spec=spec, at_s=at_s, axis=axis, message=message)
    unsure = any(span.by_computer for span in found)  # whether one is an episode, its frames tell
    spans = found if unsure else narrowed(found)
    intake = opened()
    try:
        cases = case_files(intake.chunks(), spans, result, spec, intake.window) if spans else []
    finally:
        intake.close()
    if unsure:
        found = [case.span for case in cases]
        wanted = {span.number for span in narrowed(found)}
        cases = [case for case in cases if case.span.number in wanted]
    told = tuple(map(diagnosed, cases))
    not_judged = never_came(result, spec), unwatched(result, spec)
    return Diagnosis(result, told, spec.path, len(found), *not_judged)


def require_names(spec: Spec, axis: str | None, message: str | None) -> None:
    """Check that what narrows a diagnosis exists.

    Raises:
        UsageError: It does not.
    """
    axes = [rule.name for rule in spec.records if any(field.type.kind is AxisState for field in rule.fields)]
    if axis is not None and axis not in axes:
        raise UsageError(f"{spec.path} has no axis {axis}{Faults().hint(axis, axes)}")
    names = sorted({rule.message.name for rule in spec.messages})
    on_buses = {f"{rule.bus}.{rule.message.name}" for rule in spec.messages}
    if message is not None and message not in names and message not in on_buses:
        raise UsageError(f"{spec.path} describes no message {message}{Faults().hint(message, names)}")


def chosen(
    spans: Sequence[EpisodeSpan],
    result: Inspection,
    spec: Spec,
    *,
    at_s: float | None,
    axis: str | None,
    message: str | None,
) -> list[EpisodeSpan]:
    """Return the episodes that are asked for."""
    kept = list(spans)
    if axis is not None:
        told_by = state_messages(spec, axis)
        kept = [span for span in kept if _let_go(span, axis) or _is_silent(span, result, told_by)]
    if message is not None:
        kept = [span for span in kept if _is_about(span, result, message)]
    if at_s is None:
        return kept
    _require_within(at_s, result)
    return [_nearest(kept, result, at_s)] if kept else []


def _require_within(at_s: float, result: Inspection) -> None:
    start_s = result.seconds(result.capture.start_ns)
    end_s = start_s + result.capture.duration_s
    if not start_s <= at_s <= end_s:
        raise UsageError(
            f"--at {at_s:g} is not in what was read of the capture, {start_s:.3f} to {end_s:.3f} s."
        )


def _nearest(spans: Sequence[EpisodeSpan], result: Inspection, at_s: float) -> EpisodeSpan:
    """Return the episode at a time, or near it; of those that hold it, the one that began last."""
    at_ns = round(at_s * SECOND_NS) + result.capture.zero_ns

    def off_ns(span: EpisodeSpan) -> tuple[int, int]:
        return max(span.begin_ns - at_ns, at_ns - span.end_ns, 0), abs(span.begin_ns - at_ns)

    nearest = min(spans, key=off_ns)
    if off_ns(nearest)[0] > NEAR_NS:
        begins = [f"{result.seconds(span.begin_ns):.3f}" for span in spans]
        they = "they begin" if len(begins) > 1 else "the only one begins"
        raise UsageError(
            f"No episode is within {NEAR_NS // SECOND_NS} s of --at {at_s:g}; "
            f"{they} at {first_of(begins, MOST_TIMES)} s."
        )
    return nearest


def state_messages(spec: Spec, axis: str) -> set[str]:
    """Return the names of the messages that tell the state of an axis."""
    fields = [field for rule in spec.records if rule.name == axis for field in rule.fields]
    return {ref.message for field in fields if field.type.kind is AxisState for ref in field.sources}


def _let_go(span: EpisodeSpan, axis: str) -> bool:
    return any(one.subject.startswith(f"{axis}.") for one in span.onsets)


def _is_silent(span: EpisodeSpan, result: Inspection, messages: set[str]) -> bool:
    silences = [finding for finding in result.findings if finding.kind == "stale"]
    return any(
        part.place.message in messages
        for finding in silences
        if span.begin_ns <= finding.start_ns <= span.end_ns
        for part in (finding, *finding.parts)
    )


def _is_about(span: EpisodeSpan, result: Inspection, message: str) -> bool:
    bus, _, name = message.rpartition(".")
    if any(one.subject == name for one in span.onsets):
        return True
    return any(
        part.place.message == name and bus in ("", part.place.bus)
        for finding in result.findings
        if span.begin_ns <= finding.start_ns <= span.end_ns
        for part in (finding, *finding.parts)
    )


def case_files(
    chunks: Iterable[FrameChunk],
    spans: Sequence[EpisodeSpan],
    result: Inspection,
    spec: Spec,
    window: Window | None = None,
) -> list[CaseFile]:
    """Return the case file of each episode, with the frames around it out of `chunks`, the whole capture.

    None of those that only tell that the computer handed back the axes of a vehicle that stood: the others
    move up.
    """
    limits = [_limits(span) for span in spans]
    found, last_ns = frames_around(chunks, limits, window)
    cases = [
        _case(span, frames, clock, (from_ns, min(to_ns, last_ns + 1)), result, spec)
        for span, (frames, clock), (from_ns, to_ns) in zip(spans, found, limits, strict=True)
        if len(frames)
    ]
    kept = [case for case in cases if not is_end_of_drive(case)]
    if len(kept) == len(cases):
        return kept
    return [case.numbered(number) for number, case in enumerate(kept, 1)]


def frames_around(
    chunks: Iterable[FrameChunk], limits: Sequence[tuple[int, int]], window: Window | None = None
) -> tuple[list[tuple[FrameChunk, NDArray[np.int64]]], int]:
    """Return the frames between limits of the session clock, with that clock, and the last moment seen.

    Args:
        chunks: The whole capture.
        limits: From when on and until when, excluded, for each part.
        window: What of it is used.
    """
    parts: list[list[FrameChunk]] = [[] for _ in limits]
    clocks_of: list[list[NDArray[np.int64]]] = [[] for _ in limits]
    clock = SessionClock()
    clock.go_on_from(lambda: window.before if window else None)
    last_ns = 0
    for chunk in chunks:
        now = clock.advance(chunk.t_ns)
        if not len(now):
            continue
        last_ns = int(now[-1])  # of a chunk beyond them too, so that where the stream is cut does not matter
        if all(to_ns <= now[0] for _, to_ns in limits):
            break
        for own, clocks, (from_ns, to_ns) in zip(parts, clocks_of, limits, strict=True):
            start, stop = now.searchsorted(from_ns), now.searchsorted(to_ns)
            if start < stop:
                own.append(chunk.take(slice(int(start), int(stop))))
                clocks.append(now[start:stop])
    nothing = np.zeros(0, np.int64)
    return [
        (join(own), np.concatenate([nothing, *clocks])) for own, clocks in zip(parts, clocks_of, strict=True)
    ], last_ns


def _limits(span: EpisodeSpan) -> tuple[int, int]:
    """The session clock from which on and until which the frames around an episode are looked at."""
    end_ns = min(span.end_ns + AFTER_NS, span.begin_ns + LONGEST_NS)
    return span.begin_ns - BEFORE_NS, max(end_ns, span.begin_ns + LEAST_NS)


def _case(  # what a case file is made of
    span: EpisodeSpan,
    recorded: FrameChunk,
    clock: NDArray[np.int64],
    limits: tuple[int, int],
    result: Inspection,
    spec: Spec,
) -> CaseFile:
    engine = Engine(spec, judges=False)
    (prepared,) = engine.prepared([replace(recorded, t_ns=clock)])
    step = engine.fold(prepared)
    records = {records.name: records for records in step.records}
    frames = EpisodeFrames(prepared, records, *limits, recorded)
    return CaseFile(span, frames, result, spec, engine.plan, engine.rules)
