"""Where a channel was quiet: the same however its frames are cut and whatever stands between them."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.checks.recording.quiet import STRIDE, QuietChannels
from canmap.engine.engine import Engine
from canmap.frames.chunks import empty_chunk
from tests.kits import row, spec_of, told
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.incidents import Quiet
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

MESSAGES = "".join(
    f'BO_ {can_id} Of{can_id}: 8 Kit\n SG_ V : 0|16@1+ (1,0) [0|0] "" Host\n' for can_id in (1, 2)
)
PERIODS = {1: 10, 2: 10}
HOUR_MS = 3_600_000
LIMIT_NS = 100 * MS  # of a message that comes every 10 ms


@pytest.fixture
def kit(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, MESSAGES, periods_ms=PERIODS)


def spans(chunks: list[FrameChunk], spec: Spec) -> list[Quiet]:
    engine = Engine(spec)
    for prepared in engine.prepared(chunks):
        engine.fold(prepared)
    return engine.check(QuietChannels).spans


def stream(seed: int, share: float) -> FrameChunk:
    """Frames of two channels, of the first about `share`; every step in time may be a long one."""
    chance = np.random.default_rng(seed)
    chunk = empty_chunk(("can0", "other"), int(chance.integers(1, 9 * STRIDE)))
    chunk.channel[:] = chance.random(len(chunk)) >= share
    chunk.can_id[:] = 1
    step_ns = chance.choice(
        [0, MS, LIMIT_NS // 2, LIMIT_NS, LIMIT_NS + 1], len(chunk), p=[0.1, 0.87, *[0.01] * 3]
    )
    chunk.t_ns[:] = START_NS + step_ns.cumsum()
    return chunk


@pytest.mark.parametrize("share", [0.02, 0.3, 1.0])
@pytest.mark.parametrize("seed", range(8))
def test_every_quiet_span_is_found_among_the_frames_of_other_channels(
    kit: Spec, seed: int, share: float
) -> None:
    chunk = stream(seed, share)
    # By the definition, frame by frame; the limit of the described channel is that of the other too.
    expected = [
        (start, end, name)
        for number, name in enumerate(chunk.channels)
        for start, end in pairwise(chunk.t_ns[chunk.channel == number].tolist())
        if end - start > LIMIT_NS
    ]
    for pieces in ([chunk], chunk.split(range(1, len(chunk))), chunk.split(range(100, len(chunk), 100))):
        found = [(span.start_ns, span.end_ns, span.channel) for span in spans(pieces, kit)]
        assert found == sorted(expected, key=lambda span: (span[0], span[2]))


def test_a_channel_is_quiet_where_the_stamps_catch_up_however_the_frames_are_cut(kit: Spec) -> None:
    # After 2 s the stamps are 2 h ahead; after 4 s they are 5 s ahead, so the clock goes on by 5 s there.
    # At the first step it held for 10 ms, so that the frames at 4 s have 3.99 s.
    rows = [(t, 2 * HOUR_MS if 2000 < t <= 4000 else 5000 if t > 4000 else 0) for t in range(0, 6000, 10)]
    chunk = frames([row(t + step, can_id) for t, step in rows for can_id in PERIODS])
    back = int(np.flatnonzero(np.diff(chunk.t_ns) < 0)[0]) + 1
    results = [
        inspected(pieces, kit)[0] for pieces in ([chunk], chunk.split([back]), chunk.split([back - 1]))
    ]
    assert len({tuple(told(result.findings)) for result in results}) == 1
    assert [span.start_ns for span in spans([chunk], kit)] == [START_NS + 3990 * MS]
