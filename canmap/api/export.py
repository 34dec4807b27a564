"""Captures to tables, lines and bags: every record with its age, what changed, and what was wrong."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.api.inspect import ALL_S, inspect_intake
from canmap.base.dataclass import dataclass
from canmap.engine.intake import Intake
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.mapping.loader import load_spec
from canmap.outputs.bags.bagsink import BagSink
from canmap.outputs.destination import destination
from canmap.outputs.files import STANDARD_OUTPUT, is_direct, whole_binary_files
from canmap.outputs.guard import guard_output
from canmap.stream.delivery import Delivery

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from canmap.api.inspect import Captures, SpecOrPath
    from canmap.mapping.model import Spec
    from canmap.outputs.destination import Destination
    from canmap.outputs.export_forms import ExportSink
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import Sink


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export wrote.

    Attributes:
        into: The file or folder, as it was named.
        files: The files.
        rows: How many records of each kind are in them, by name; of a bag, how many messages of each topic.
        size: Bytes of the files; None where they went into something else than files.
        is_bag: Whether messages were written, and no records.
        result: What the captures say of the vehicle, as of `canmap.inspect`; it keeps no records.
    """

    into: str
    files: tuple[str, ...]
    rows: Mapping[str, int]
    size: int | None
    is_bag: bool
    result: Inspection


def export(  # noqa: PLR0913  # each stands for itself
    captures: Captures,
    spec: SpecOrPath,
    into: str | PathLike[str],
    *,
    records: str | Iterable[str] | None = None,
    form: str | None = None,
    namespace: str = "",
    span_s: tuple[float, float] = ALL_S,
    overwrite: bool = False,
) -> Exported:
    """Write the records of captures, what changed in them and the findings to a file or a folder.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        spec: From `load_spec`, or the path of one.
        into: A file that ends in .jsonl, .csv, .parquet or .mcap, or a folder for tables; "-" is standard
            output. It appears whole or not at all; of a bag that fails, what there is stays as a .part.
        records: Name or names of the records to write; all by default.
        form: "jsonl", "csv", "parquet" or "mcap" where `into` does not tell it.
        namespace: What relative names of topics are put below in a bag.
        span_s: The part of the session to use, as for `inspect`.
        overwrite: Whether a file that exists may be replaced; never one that is read.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame of the span.
        SpecError: The spec at a path has mistakes.
        OutputError: The output cannot be written, exists, or is one of the inputs.
        UsageError: The form cannot hold what is to be written, its library is not installed, `records` names
            a record that the spec does not have, `namespace` is not a namespace, or `span_s` leaves no time.
    """
    window = Window.of(span_s)
    paths = [captures] if isinstance(captures, str | PathLike) else captures
    loaded = load_spec(spec) if isinstance(spec, str | PathLike) else spec
    intake = Intake(open_captures([str(path) for path in paths]), window)
    try:
        wanted = [records] if isinstance(records, str) else records
        place = destination(str(into), form, names_to_write(loaded, wanted))
        return export_intake(intake, loaded, replace(place, namespace=namespace), overwrite=overwrite)
    finally:
        intake.close()


def names_to_write(spec: Spec, wanted: Iterable[str] | None) -> list[str]:
    """Return the names of the records that are wanted, each once; None for all that the spec makes."""
    return list(dict.fromkeys(wanted)) if wanted is not None else [rule.name for rule in spec.records]


def export_intake(
    intake: Intake,
    spec: Spec,
    place: Destination,
    *,
    overwrite: bool = False,
    inputs: Sequence[str] = (),
    beside: Sequence[Sink] = (),
) -> Exported:
    """Export what `intake` reads; closes the intake.

    Args:
        intake: The captures.
        spec: What the vehicle should say.
        place: Where it goes.
        overwrite: Whether files that exist may be replaced.
        inputs: What is read besides the captures and the files of the spec.
        beside: Other sinks of the run.
    """
    files = tuple(place.files.values())
    with export_sink(intake, spec, place, overwrite=overwrite, inputs=inputs) as sink:
        delivery = Delivery((sink, *beside), frozenset(place.records))
        result = inspect_intake(intake, spec, delivery=delivery)
        sink.conclude(result)
    return Exported(place.into, files, sink.rows, _size(files), place.is_bag, result)


@contextlib.contextmanager
def export_sink(
    intake: Intake,
    spec: Spec,
    place: Destination,
    *,
    overwrite: bool = False,
    inputs: Sequence[str] = (),
) -> Iterator[ExportSink]:
    """Give the sink of an export for a run; its files appear when the context ends, or none where it fails.

    Whoever runs it concludes it with the result before that. See `export_intake` for the arguments.

    Raises:
        OutputError: The output cannot be written, exists, or is one of the inputs.
    """
    files = tuple(place.files.values())
    for path in files:
        guard_output(path, (*intake.source.captures, *spec.files, *inputs), overwrite=overwrite)
    if place.is_bag:
        yield BagSink(place.into, intake.source.captures, namespace=place.namespace, overwrite=overwrite)
        return
    with whole_binary_files(*files, folder=place.folder) as opened:
        yield place.form.table_sink(dict(zip(place.files, opened, strict=True)))


def _size(files: Iterable[str]) -> int | None:
    """Return the bytes of files; None where one is standard output, a device or a pipe."""
    if any(path == STANDARD_OUTPUT or is_direct(path) for path in files):
        return None
    return sum(Path(path).stat().st_size for path in files)
