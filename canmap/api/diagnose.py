"""What a program calls: why a vehicle stopped, from its captures and its spec."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.api.inspect import _loaded, _paths, inspect_intake
from canmap.base.errors import UsageError
from canmap.diagnosis.case_file import CaseFile, EpisodeFrames
from canmap.diagnosis.diagnosis import Diagnosis, diagnosed
from canmap.diagnosis.diagnosis_json import diagnosis_json
from canmap.diagnosis.onsets import episodes_of
from canmap.diagnosis.page import as_text
from canmap.engine.engine import Engine
from canmap.engine.intake import Intake
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.frames.session import SessionClock
from canmap.mapping.reading.mistakes import Faults
from canmap.outputs.handover import write_handover
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
LONGEST_NS = 60 * SECOND_NS  # of an episode that is looked at
PACKED_NS = 5 * SECOND_NS  # of the capture that goes into a pack


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
        axis: Only episodes in which that record's axis left its active state, or what tells it fell silent.
        message: Only episodes that are about that message.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame.
        SpecError: The spec at a path has mistakes.
        UsageError: A capture is standard input, `at_s` is no time, or no axis or message has that name.
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
    if at_s is not None and not math.isfinite(at_s):
        raise UsageError(f"{at_s:g} is not a time; give seconds from the first frame.")
    result = inspect_intake(opened(), spec)
    found = episodes_of(result)
    spans = chosen(found, result, spec, at_s=at_s, axis=axis, message=message)
    intake = opened()
    try:
        cases = case_files(intake.chunks(), spans, result, spec, intake.window) if spans else []
    finally:
        intake.close()
    return Diagnosis(result, tuple(map(diagnosed, cases)), spec.path, len(found))


def require_names(spec: Spec, axis: str | None, message: str | None) -> None:
    """Check that what narrows a diagnosis exists.

    Raises:
        UsageError: It does not.
    """
    axes = [rule.name for rule in spec.records if any(field.type.kind is AxisState for field in rule.fields)]
    if axis is not None and axis not in axes:
        raise UsageError(f"{spec.path} has no axis {axis}{Faults().hint(axis, axes)}")
    names = sorted({rule.message.name for rule in spec.messages})
    if message is not None and message not in names:
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
    if at_s is not None and kept:
        kept = [min(kept, key=lambda span: abs(result.seconds(span.begin_ns) - at_s))]
    return kept


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
    window: Window | None = None,
) -> list[CaseFile]:
    """Return the case file of each episode, with the frames around it out of `chunks`, the whole capture."""
    limits = [_limits(span) for span in spans]
    parts: list[list[FrameChunk]] = [[] for _ in spans]
    clocks_of: list[list[NDArray[np.int64]]] = [[] for _ in spans]
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
    return [
        _case(span, join(own), np.concatenate(clocks), (from_ns, min(to_ns, last_ns + 1)), result, spec)
        for span, own, clocks, (from_ns, to_ns) in zip(spans, parts, clocks_of, limits, strict=True)
        if own
    ]


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


def pack_diagnosis(diagnosis: Diagnosis, spec: Spec, folder: str, *, overwrite: bool = False) -> None:
    """Write a folder to hand on: the capture cut around each episode, the spec and the page of text.

    Args:
        diagnosis: What is packed.
        spec: By which it was made.
        folder: The folder; it must be empty, or not there.
        overwrite: Whether files in it may be replaced.

    Raises:
        OutputError: There is something in the folder, or it cannot be written.
    """
    captures = {
        f"episode_{one.span.number}.log": _cut(one.case.window, one.span) for one in diagnosis.episodes
    }
    root = os.path.commonpath([str(Path(file).resolve().parent) for file in spec.files])
    copies = {
        str(Path("spec") / Path(file).resolve().relative_to(root)): file for file in dict.fromkeys(spec.files)
    }
    texts = {
        "page.txt": as_text(diagnosis),
        "diagnosis.json": json.dumps(diagnosis_json(diagnosis), indent=1, allow_nan=False) + "\n",
    }
    inputs = (*diagnosis.result.capture.files, *spec.files)
    write_handover(folder, captures, texts, copies, inputs, overwrite=overwrite)


def _cut(frames: EpisodeFrames, span: EpisodeSpan) -> FrameChunk:
    clock = frames.prepared.chunk.t_ns
    inside = (clock >= span.begin_ns - PACKED_NS // 2) & (clock < span.begin_ns + PACKED_NS // 2)
    return frames.recorded.take(inside)
