"""The steps of one run to all its sinks, each of which is opened once and closed once, whatever happens."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Self

from canmap.base.dataclass import dataclass
from canmap.stream.sink import About

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from canmap.frames.session import SessionClock
    from canmap.mapping.model import Spec
    from canmap.stream.sink import Sink, Step


@dataclass(frozen=True, slots=True)
class Delivery:
    """Who gets the steps of a run, and which records of them.

    Attributes:
        sinks: Who gets them, in this order.
        records: Names of the records; None for all.
    """

    sinks: tuple[Sink, ...] = ()
    records: frozenset[str] | None = None

    def begin(self, spec: Spec, session: SessionClock) -> Delivering:
        """Return what hands on the steps of a run on the clock `session`; a run has sinks of its own."""
        return Delivering(self, spec, session)

    def reduced(self, step: Step) -> Step:
        """Return a step with the records that are wanted."""
        if self.records is None:
            return step
        return replace(step, records=tuple(one for one in step.records if one.name in self.records))


class Delivering:
    """Hands the steps of one run to its sinks; a context, which closes them when it ends.

    Args:
        delivery: Who gets them, and which records.
        spec: What the sinks are told of the run.
        session: Its clock.
    """

    def __init__(self, delivery: Delivery, spec: Spec, session: SessionClock) -> None:
        self._delivery = delivery
        self._spec, self._session = spec, session
        self._unclosed: list[Sink] = []
        self._early: list[Step] = []
        self._is_open = False

    def write(self, step: Step) -> None:
        """Hand on what the next chunk led to; what comes before the first frame waits until that is there."""
        step = self._delivery.reduced(step)
        if self._session.start_ns is not None:
            self.open()
            self._hand_on([step])
        elif step.events:
            self._early.append(step)

    def open(self) -> None:
        """Open the sinks, unless they are open; at the end of a run without frames it has to be asked for."""
        if self._is_open:
            return
        self._is_open = True
        wanted = self._delivery.records
        names = tuple(rule.name for rule in self._spec.records if wanted is None or rule.name in wanted)
        about = About(self._spec, names, self._session.zero_ns, self._session.start_ns or 0)
        for sink in self._delivery.sinks:
            self._unclosed.append(sink)  # before: it may be interrupted in the middle
            sink.open(about)
        self._hand_on(self._early)
        self._early = []

    def _hand_on(self, steps: Sequence[Step]) -> None:
        for step in steps:
            for sink in self._delivery.sinks:
                sink.write(step)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close all that were opened; of several failures the first is raised, with notes of the others."""
        first = error
        while self._unclosed:
            try:
                self._unclosed.pop(0).close(whole=error is None)
            except BaseException as failure:  # a signal too: the others are still to be closed
                if first is None:
                    first = failure
                else:
                    first.add_note(f"Another sink could not be closed: {failure}")
        if first is not None and first is not error:
            raise first
