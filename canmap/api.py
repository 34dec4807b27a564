"""What a program calls: load a spec, inspect captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.engine import Engine, Step
from canmap.frames.readers import open_captures
from canmap.inspection import Inspection, conclude
from canmap.run import Intake, run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from os import PathLike

    from canmap.clock import Pace
    from canmap.records.columns import RecordChunk
    from canmap.spec.model import Spec


def inspect(
    captures: str | PathLike[str] | Sequence[str | PathLike[str]], spec: Spec, *, keep: Iterable[str] = ()
) -> Inspection:
    """Return what captures say of a vehicle, and what is wrong with it.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        spec: From `load_spec`.
        keep: Names of the records to keep; all others are only summed up.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame.
        UsageError: `keep` names a record that the spec does not have.

    Example:
        >>> spec = load_spec("specs/cart/cart.yaml")  # doctest: +SKIP
        >>> result = inspect("captures/drop.log", spec, keep=["steering"])  # doctest: +SKIP
        >>> result.verdict  # doctest: +SKIP
        'fail'
    """
    paths = captures if isinstance(captures, list | tuple) else [captures]
    return inspect_intake(Intake(open_captures([str(path) for path in paths])), spec, keep=keep)


def inspect_intake(
    intake: Intake,
    spec: Spec,
    *,
    keep: Iterable[str] = (),
    listen: Callable[[Engine, Step], None] | None = None,
    pace: Pace | None = None,
) -> Inspection:
    """Inspect what `intake` reads, telling `listen` of every step; closes the intake."""
    kept: dict[str, list[RecordChunk]] = {name: [] for name in keep}
    try:
        engine = Engine(spec)
        engine.require_records(kept)
        engine.session.count_from(intake.window.first_ns)

        def tell(step: Step) -> None:
            for chunk in step.records:
                if chunk.name in kept:
                    kept[chunk.name].append(chunk)
            if listen is not None:
                listen(engine, step)

        run(intake, engine, tell, pace)
    finally:
        intake.close()
    return conclude(engine, intake.source.captures, kept)
