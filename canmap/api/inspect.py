"""What a program calls: inspect captures, by a spec or the path of one."""

from __future__ import annotations

from os import PathLike
from typing import TYPE_CHECKING

from canmap.engine.engine import Engine, Step
from canmap.engine.intake import Intake
from canmap.engine.run import run
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.mapping.loader import load_spec
from canmap.results.inspection import Inspection, conclude

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canmap.engine.run import StopRequest
    from canmap.mapping.model import Spec
    from canmap.records.columns import RecordChunk
    from canmap.timing.pace import Pace


def inspect(
    captures: str | PathLike[str] | Sequence[str | PathLike[str]],
    spec: Spec | str | PathLike[str],
    *,
    keep: str | Iterable[str] = (),
    span_s: tuple[float, float] = (0.0, float("inf")),
) -> Inspection:
    """Return what captures say of a vehicle, and what is wrong with it.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        spec: From `load_spec`, or the path of one.
        keep: Name or names of the records to keep; all others are only summed up.
        span_s: The part of the session to use, in s from its first frame, as --from and --to give it: the
            first moment is in it, the last is not.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame of the span.
        SpecError: The spec at a path has mistakes.
        UsageError: `keep` names a record that the spec does not have, or `span_s` leaves no time.

    Example:
        >>> result = inspect("captures/drop.log", "specs/cart/cart.yaml", keep="steering")  # doctest: +SKIP
        >>> result.verdict  # doctest: +SKIP
        'fail'
    """
    window = Window.of(span_s)
    paths = [captures] if isinstance(captures, str | PathLike) else captures
    names = [keep] if isinstance(keep, str) else keep
    if isinstance(spec, str | PathLike):
        spec = load_spec(spec)
    return inspect_intake(Intake(open_captures([str(path) for path in paths]), window), spec, keep=names)


def inspect_intake(
    intake: Intake,
    spec: Spec,
    *,
    keep: Iterable[str] = (),
    listen: Callable[[Engine, Step], None] | None = None,
    pace: Pace | None = None,
    stop: StopRequest | None = None,
) -> Inspection:
    """Inspect what `intake` reads, telling `listen` of every step; closes the intake.

    Raises:
        KeyboardInterrupt: `stop` came before any frame.
    """
    kept: dict[str, list[RecordChunk]] = {name: [] for name in keep}
    try:
        engine = Engine(spec)
        engine.require_records(kept)
        for session in (engine.session, *([pace.session] if pace else ())):
            session.go_on_from(lambda: intake.window.before)

        def tell(step: Step) -> None:
            for chunk in step.records:
                if chunk.name in kept:
                    kept[chunk.name].append(chunk)
            if listen is not None:
                listen(engine, step)

        run(intake, engine, tell, pace, stop)
    finally:
        intake.close()
    return conclude(engine, intake.source.captures, kept)
