"""What a program calls: inspect captures, by a spec or the path of one."""

from __future__ import annotations

from os import PathLike
from typing import TYPE_CHECKING

from canmap.engine.engine import Engine
from canmap.engine.intake import Intake
from canmap.engine.run import require_frames, steps_of
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.mapping.loader import load_spec
from canmap.results.inspection import Inspection, conclude
from canmap.stream.delivery import Delivery

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from canmap.engine.run import StopRequest
    from canmap.mapping.model import Spec
    from canmap.records.columns import RecordChunk
    from canmap.stream.sink import Sink, Step
    from canmap.timing.pace import Pace

    Captures = str | PathLike[str] | Sequence[str | PathLike[str]]
    SpecOrPath = Spec | str | PathLike[str]

ALL_S = (0.0, float("inf"))


def inspect(
    captures: Captures,
    spec: SpecOrPath,
    *,
    keep: str | Iterable[str] = (),
    span_s: tuple[float, float] = ALL_S,
    sinks: Iterable[Sink] = (),
    records: str | Iterable[str] | None = None,
) -> Inspection:
    """Return what captures say of a vehicle, and what is wrong with it.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        spec: From `load_spec`, or the path of one.
        keep: Name or names of the records to keep; all others are only summed up.
        span_s: The part of the session to use, in s from its first frame, as --from and --to give it: the
            first moment is in it, the last is not.
        sinks: Who gets records and findings on the way; each is opened once and closed once (see `Sink`).
            What one raises ends the run and is raised here, when all are closed.
        records: Name or names of the records that the sinks get; all by default.

    Raises:
        CaptureError: A capture cannot be read, or none holds a frame of the span.
        SpecError: The spec at a path has mistakes.
        UsageError: `keep` or `records` names a record that the spec does not have, or `span_s` leaves no
            time.

    Example:
        >>> result = inspect("captures/drop.log", "specs/cart/cart.yaml", keep="steering")  # doctest: +SKIP
        >>> result.verdict  # doctest: +SKIP
        'fail'
    """
    window, spec = Window.of(span_s), _loaded(spec)
    return inspect_intake(
        Intake(open_captures(_paths(captures)), window),
        spec,
        keep=_names(keep),
        delivery=Delivery(tuple(sinks), None if records is None else frozenset(_names(records))),
    )


def steps(
    captures: Captures,
    spec: SpecOrPath,
    *,
    records: str | Iterable[str] | None = None,
    span_s: tuple[float, float] = ALL_S,
) -> Iterator[Step]:
    """Return an iterator over what captures lead to: records, changes, findings that open and close.

    It reads on as it is asked to, in memory that does not grow with the captures. Where the stream is cut
    into steps is not promised; the last one holds what the end led to. Leaving the loop ends the reading.

    Args:
        captures: One capture or several of one session; "-" is standard input.
        spec: From `load_spec`, or the path of one.
        records: Name or names of the records that the steps hold; all by default.
        span_s: The part of the session to use, as for `inspect`.

    Raises:
        CaptureError: When it is iterated: a capture cannot be read, or none holds a frame of the span.
        SpecError: The spec at a path has mistakes.
        UsageError: `records` names a record that the spec does not have, or `span_s` leaves no time.

    Example:
        >>> for step in steps("captures/drop.log", "specs/cart/cart.yaml"):  # doctest: +SKIP
        ...     for chunk in step.records:
        ...         print(chunk.name, chunk.clock_ns[0], len(chunk))
    """
    window = Window.of(span_s)
    engine = Engine(_loaded(spec))
    delivery = Delivery(records=None if records is None else frozenset(_names(records)))
    engine.spec.require_records(delivery.records or ())
    return _steps(_paths(captures), window, engine, delivery)


def _steps(captures: Sequence[str], window: Window, engine: Engine, delivery: Delivery) -> Iterator[Step]:
    intake = Intake(open_captures(captures), window)
    try:
        engine.session.go_on_from(lambda: window.before)
        yield from map(delivery.reduced, steps_of(intake, engine))
        require_frames(intake, engine)
    finally:
        intake.close()


def inspect_intake(
    intake: Intake,
    spec: Spec,
    *,
    keep: Iterable[str] = (),
    delivery: Delivery | None = None,
    pace: Pace | None = None,
    stop: StopRequest | None = None,
) -> Inspection:
    """Inspect what `intake` reads, handing every step to the sinks of `delivery`; closes the intake.

    Raises:
        KeyboardInterrupt: `stop` came before any frame.
    """
    kept: dict[str, list[RecordChunk]] = {name: [] for name in keep}
    delivery = delivery or Delivery()
    try:
        engine = Engine(spec)
        spec.require_records((*kept, *(delivery.records or ())))
        for session in (engine.session, *([pace.session] if pace else ())):
            session.go_on_from(lambda: intake.window.before)
        with delivery.begin(spec, engine.session) as delivering:
            for step in steps_of(intake, engine, pace, stop):
                for chunk in step.records:
                    if chunk.name in kept:
                        kept[chunk.name].append(chunk)
                delivering.write(step)
            delivering.open()
            require_frames(intake, engine)
    finally:
        intake.close()
    return conclude(engine, intake.source.captures, kept)


def _loaded(spec: SpecOrPath) -> Spec:
    return load_spec(spec) if isinstance(spec, str | PathLike) else spec


def _paths(captures: Captures) -> list[str]:
    return [str(path) for path in ([captures] if isinstance(captures, str | PathLike) else captures)]


def _names(names: str | Iterable[str]) -> Iterable[str]:
    return [names] if isinstance(names, str) else names
