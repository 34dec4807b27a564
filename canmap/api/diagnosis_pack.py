"""A folder to hand to the maker of a kit: each episode as a short capture, its page, and what reads it."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from canmap.api.diagnose import LONGEST_NS, SECOND_NS, diagnose_intake, frames_around
from canmap.base.errors import OutputError, UsageError
from canmap.base.words import number, times
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.telling.diagnosis_json import diagnosis_json
from canmap.diagnosis.telling.page import MANUAL_FIRST, NO_RELEASE, WIDTH, as_text
from canmap.diagnosis.telling.page_lines import PageLine, Style, wrapped
from canmap.engine.intake import Intake
from canmap.frames.readers import open_captures
from canmap.mapping.loader import load_spec
from canmap.outputs.captures.writers import write_frames
from canmap.outputs.handover import require_free_folder, write_handover

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from canmap.diagnosis.diagnosis import Diagnosis, EpisodeDiagnosis
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

AROUND_NS = 5 * SECOND_NS  # of the capture before an episode and after it
SAME_S = 0.5  # so near in time an episode of the cut is that of the capture
INDEX, SPECS = "index.txt", "spec"
NOTHING: Mapping[str, str] = {}


class PackSource(NamedTuple):
    """How captures and spec of a diagnosis were read.

    Attributes:
        opened: Opens the captures anew.
        channels: Bus to the channel that takes the place of the spec's.
        descriptions: Bus to the description that takes the place of the spec's.
    """

    opened: Callable[[], Intake]
    channels: Mapping[str, str] = NOTHING
    descriptions: Mapping[str, str] = NOTHING


class Packed(NamedTuple):
    """An episode in a pack.

    Attributes:
        one: Its diagnosis by the whole capture.
        name: Of its files, without their endings.
        again: Its diagnosis by the cut alone; None where that shows no such episode.
        command: Which makes that page again, in the folder.
        about: What the cut holds.
    """

    one: EpisodeDiagnosis
    name: str
    again: Diagnosis | None
    command: str
    about: str


def pack_diagnosis(
    diagnosis: Diagnosis, spec: Spec, source: PackSource, folder: str, *, overwrite: bool = False
) -> int:
    """Write a folder to hand on; it holds all that makes its pages again, on another computer too.

    For each episode there is the capture from 5 s before it until 5 s after it, and the page and the JSON
    of what that cut alone tells. Beside them are the spec, its fragments and descriptions, and an index.

    Args:
        diagnosis: What is packed.
        spec: By which it was made.
        source: How captures and spec were read.
        folder: The folder; it must be empty, or not there.
        overwrite: Whether files in it may be replaced.

    Returns:
        How many episodes were packed; where there is none, nothing is written.

    Raises:
        OutputError: There is something in the folder, or it cannot be written; or the spec names a file by
            an absolute path, which another computer does not have.
    """
    if not diagnosis.episodes:
        return 0
    require_free_folder(folder, overwrite=overwrite)
    with tempfile.TemporaryDirectory(prefix="canmap-") as stage:
        names = _copied_spec(spec, Path(stage))
        options = _options(spec, names, source)
        packed = _load_packed(spec, Path(stage), names, source)
        told = [
            _packed(one, cut, packed, names[spec.path], options, Path(stage))
            for one, cut in zip(diagnosis.episodes, _cuts(diagnosis, source.opened()), strict=True)
        ]
        index = [text for line in _index(diagnosis, told, names, spec) for text in wrapped(line, WIDTH)]
        (Path(stage) / INDEX).write_text("\n".join(index) + "\n", encoding="utf-8", newline="\n")
        files = sorted(path for path in Path(stage).rglob("*") if path.is_file())
        copies = {str(path.relative_to(stage)): str(path) for path in files}
        inputs = (*diagnosis.result.capture.files, *spec.files)
        write_handover(folder, copies, inputs, overwrite=overwrite)
    return len(told)


def _copied_spec(spec: Spec, stage: Path) -> dict[str, str]:
    """Copy spec, fragments and descriptions as they lie to each other; their names in the pack by file."""
    files = {file: Path(file).resolve() for file in (*spec.files, spec.path)}
    root = os.path.commonpath([str(path.parent) for path in files.values()])
    names = {file: (Path(SPECS) / path.relative_to(root)).as_posix() for file, path in files.items()}
    for file, name in names.items():
        (stage / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, stage / name)
    return names


def _load_packed(spec: Spec, stage: Path, names: Mapping[str, str], source: PackSource) -> Spec:
    """Load the spec from the pack, which must need nothing from outside."""
    own = {bus: str(stage / _name_of(file, names)) for bus, file in source.descriptions.items()}
    loaded = load_spec(str(stage / names[spec.path]), channels=source.channels, descriptions=own)
    for file in loaded.files:
        if not Path(file).resolve().is_relative_to(stage.resolve()):
            raise OutputError(
                f"{spec.path} names {file} by an absolute path, so that a pack would lack it; "
                "name it by its path from the spec."
            )
    return replace(loaded, advise=spec.advise)


def _name_of(file: str, names: Mapping[str, str]) -> str:
    same = Path(file).resolve()
    return next(name for own, name in names.items() if Path(own).resolve() == same)


def _options(spec: Spec, names: Mapping[str, str], source: PackSource) -> list[str]:
    """What the command needs beside the capture."""
    given = ["--spec", names[spec.path]]
    for bus, channel in source.channels.items():
        given += ["--channel", f"{bus}={channel}"]
    for bus, file in source.descriptions.items():
        given += ["--description", f"{bus}={_name_of(file, names)}"]
    return given


def _cuts(diagnosis: Diagnosis, intake: Intake) -> list[tuple[FrameChunk, int]]:
    """The frames around each episode, and the session clock of the first of them."""
    limits = []
    for one in diagnosis.episodes:
        end_ns = min(one.span.end_ns, one.span.begin_ns + LONGEST_NS)
        limits.append((one.span.begin_ns - AROUND_NS, end_ns + AROUND_NS))
    try:
        found, _ = frames_around(intake.chunks(), limits, intake.window)
    finally:
        intake.close()
    return [(frames, int(clock[0])) for frames, clock in found]


def _packed(
    one: EpisodeDiagnosis,
    cut: tuple[FrameChunk, int],
    spec: Spec,
    spec_name: str,
    options: list[str],
    stage: Path,
) -> Packed:
    """Write the cut of an episode and what it tells; the page is made of the cut as it is read again."""
    frames, first_ns = cut
    name = f"episode_{one.span.number}"
    capture = f"{name}.log"
    write_frames(str(stage / capture), [frames])
    begin_s = (one.span.begin_ns - first_ns) / SECOND_NS
    words = ["canmap", "diagnose", capture, *options]
    again, at = _again(str(stage / capture), spec, begin_s)
    if again is not None:
        again = _named(again, capture, spec_name)
        (stage / f"{name}.txt").write_text(as_text(again), encoding="utf-8", newline="\n")
        text = json.dumps(diagnosis_json(again), indent=1, allow_nan=False) + "\n"
        (stage / f"{name}.json").write_text(text, encoding="utf-8", newline="\n")
    result = one.case.result
    from_s = result.seconds(first_ns)
    to_s = from_s + float(int(frames.t_ns[-1]) - int(frames.t_ns[0])) / SECOND_NS
    about = f"{times(len(frames), 'frame')}, {from_s:.3f} to {to_s:.3f} s of the whole capture"
    return Packed(one, name, again, shlex.join([*words, *at]), about)


def _again(capture: str, spec: Spec, begin_s: float) -> tuple[Diagnosis | None, list[str]]:
    """Diagnose a cut: its episode, and the option that picks it where there are others."""

    def opened() -> Intake:
        return Intake(open_captures([capture]))

    whole = diagnose_intake(opened, spec)
    begins = [whole.result.seconds(one.span.begin_ns) for one in whole.episodes]
    nearest = min(begins, key=lambda at_s: abs(at_s - begin_s), default=None)
    if nearest is None or abs(nearest - begin_s) > SAME_S:
        return None, []
    if len(begins) == 1:
        return whole, []
    at = f"{nearest:.3f}"
    try:
        return diagnose_intake(opened, spec, at_s=float(at)), ["--at", at]
    except UsageError:  # the begin is rounded to the outside of what was recorded
        return whole, []


def _named(diagnosis: Diagnosis, capture: str, spec: str) -> Diagnosis:
    """The same with the names that files have in the pack."""
    own = replace(diagnosis.result, capture=replace(diagnosis.result.capture, files=(capture,)))
    episodes = tuple(replace(one, case=one.case.with_result(own)) for one in diagnosis.episodes)
    return replace(diagnosis, result=own, episodes=episodes, spec=spec)


def _index(
    diagnosis: Diagnosis, told: list[Packed], names: Mapping[str, str], spec: Spec
) -> Iterator[PageLine]:
    result = diagnosis.result
    files = ", ".join(Path(file).name for file in result.capture.files)
    start = result.capture.at(result.capture.start_ns)
    yield PageLine(f"{result.vehicle}: {times(len(told), 'episode')} of {files}")
    yield PageLine(
        f"{number(round(result.capture.duration_s, 3))} s{f' from {start}' if start else ''}; it has "
        f"{times(diagnosis.found, 'episode')} in all. In this folder, each command makes its page again. "
        "Seconds in a page count from the first frame of its own capture."
    )
    for packed in told:
        yield PageLine("")
        yield PageLine(f"Episode {packed.one.span.number}: {_outcome(packed.one)}")
        yield PageLine(packed.about, 2, label=f"{packed.name}.log  ")
        if packed.again is None:
            yield PageLine("This cut alone shows no such episode; the whole capture does.", 2)
            continue
        yield PageLine("what this capture tells", 2, label=f"{packed.name}.txt  ")
        yield PageLine(packed.command, 4, style=Style.DRAWN)
        yield PageLine("the same for a program", 2, label=f"{packed.name}.json  ")
        (again,) = packed.again.episodes[:1]
        if len(packed.again.episodes) == 1 and _outcome(again) != _outcome(packed.one):
            yield PageLine(f"The cut alone tells less: {_outcome(again)}.", 2)
    yield PageLine("")
    yield PageLine("What the captures are read by:")
    own = names[spec.path]
    for name in dict.fromkeys((own, *names.values())):
        what = "the mapping spec" if name == own else "a file that it names"
        yield PageLine(what, 2, label=f"{name}  ")
    yield PageLine("")
    yield PageLine(MANUAL_FIRST)
    yield PageLine(NO_RELEASE)


def _outcome(one: EpisodeDiagnosis) -> str:
    keys = [scored.cause.key.replace("_", " ") for scored in one.judgement.first]
    if one.judgement.decision is Decision.ROOT:
        return keys[0]
    return f"a tie of {' and '.join(keys)}" if one.judgement.decision is Decision.TIE else "undetermined"
