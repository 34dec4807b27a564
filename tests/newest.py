"""The newest samples at the chunks of a stream, asked for in tests."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, TypeVar

from canmap.engine.engine import Engine
from canmap.frames.session import SessionClock
from canmap.timing.newest import Newest
from tests.streams import frames

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.signals.plan import DecodePlan

T = TypeVar("T")


def asked(spec: Spec, chunks: Iterable[FrameChunk], ask: Callable[[Newest, DecodePlan], T]) -> list[T]:
    """What each chunk answers, once the engine has prepared it and all before it are carried."""
    engine, session = Engine(spec), SessionClock()
    columns = len(engine.plan.columns)
    newest = Newest(range(columns), columns)
    answers = []
    for prepared in engine.prepared(chunks):
        newest.begin(prepared, session.advance(prepared.chunk.t_ns))
        answers.append(ask(newest, engine.plan))
        newest.carry()
    return answers


def uncut(spec: Spec, rows: list[tuple], ask: Callable[[Newest, DecodePlan], list[T]]) -> list[T]:
    """What a stream answers in one chunk: the same as cut once anywhere, and with empty chunks in between."""
    whole = frames(rows, ("can0", "can1"))
    everywhere = [place for place in range(len(whole) + 1) for _ in range(2)]
    cuttings = [everywhere, *([place] for place in range(1, len(whole)))]
    at_once = [*chain(*asked(spec, [whole], ask))]
    assert [[*chain(*asked(spec, whole.split(places), ask))] for places in cuttings] == [at_once] * len(
        cuttings
    )
    return at_once


def column(plan: DecodePlan, name: str) -> int:
    """The column of "Message.Signal" of the bus `drive`, or of "bus.Message.Signal"."""
    *bus, message, signal = name.split(".")
    return plan.column_of[bus[0] if bus else "drive", message, signal]


def slot(plan: DecodePlan, name: str) -> int:
    """The slot of "Message" of the bus `drive`, or of "bus.Message"."""
    *bus, message = name.split(".")
    wanted = (bus[0] if bus else "drive", message)
    return next(i for i, one in enumerate(plan.slots) if (one.bus_name, one.message.name) == wanted)
