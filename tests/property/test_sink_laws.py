"""What a sink makes of a run follows the rows and not the steps: the printer of lines under any cutting."""

from __future__ import annotations

import contextlib
import io
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from canmap.cli.lines import LinePrinter
from canmap.engine.engine import Engine
from canmap.stream.delivery import Delivery
from tests.eventful import eventful, modal
from tests.streams import CART, TRUCK, VEHICLE, cuts, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk


def printed(chunks: Iterable[FrameChunk], path: Path, every_s: float) -> list[str]:
    """The lines of a run."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        engine = Engine(spec_of(path))
        with Delivery((LinePrinter(every_s),)).begin(engine.spec, engine.session) as delivering:
            for prepared in engine.prepared(chunks):
                delivering.write(engine.fold(prepared))
            delivering.write(engine.finish())
            delivering.open()
    return out.getvalue().splitlines()


def moments(lines: list[str]) -> list[tuple[str, list[str]]]:
    """The lines of each moment, one after the other; those of one moment in any order."""
    found: list[tuple[str, list[str]]] = []
    for line in lines:
        at = line[:12]
        if not found or found[-1][0] != at:
            found.append((at, []))
        found[-1][1].append(line)
    return [(at, sorted(those)) for at, those in found]


@given(st.data())
def test_the_lines_of_every_moment_are_the_same_under_any_cutting(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    every_s = data.draw(st.sampled_from([0, 0.05, 1]))
    cut = whole.split(data.draw(cuts(whole)))
    assert moments(printed(cut, path, every_s)) == moments(printed([whole], path, every_s))


def test_the_lines_of_a_drive_with_many_faults_are_the_same() -> None:
    for whole, path in ((eventful(), CART), (modal(), VEHICLE)):
        once = printed([whole], path, 0)
        assert len(once) > 300
        assert any(" begins " in line for line in once)
        cut = printed(whole.split(range(0, len(whole), 37)), path, 0)
        assert moments(cut) == moments(once)
