"""A value whose sign another signal gives: the speed counts backwards while the gear is reverse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.kits import row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.records.columns import FieldColumn

DBC = """\
BO_ 256 Motor: 8 Node
 SG_ Speed : 0|16@1+ (0.1,0) [0|0] "km/h" Other
BO_ 512 Lever: 8 Node
 SG_ Gear : 0|2@1+ (1,0) [0|0] "" Other
"""
END = 'VAL_ 512 Gear 0 "Park" 1 "Reverse" 2 "Forward" 3 "NotAvailable" ;\n'
TEXT = """\
records:
  drive:
    type: Drive
    stamp: Motor
    speed: {signal: Motor.Speed, range: [0 km/h, 20 km/h], sign: {signal: Lever.Gear, negative: Reverse}}
"""
KMH = 1 / 3.6


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, DBC, TEXT, periods_ms={0x100: 10, 0x200: 50}, end=END)


def motor(t_ms: float, speed: int) -> tuple:
    return row(t_ms, 0x100, speed.to_bytes(2, "little") + bytes(6))


def lever(t_ms: float, gear: int) -> tuple:
    return row(t_ms, 0x200, bytes([gear, *bytes(7)]))


def speeds(spec: Spec, chunks: list[FrameChunk]) -> FieldColumn:
    return inspected(chunks, spec, keep=["drive"])[0].records["drive"].columns["speed"]


def test_it_is_negative_while_the_other_signal_says_so(spec: Spec) -> None:
    whole = frames(
        [motor(0, 36), lever(5, 2), motor(10, 36), lever(15, 1), motor(20, 36), motor(30, 0), motor(40, 250)]
    )
    speed = speeds(spec, [whole])
    assert speed.valid.tolist() == [False, True, True, True, True]  # no gear yet: which way is not known
    assert speed.values[1:] == pytest.approx(np.array([3.6, -3.6, 0.0, -25.0]) * KMH)
    assert not np.signbit(speed.values[3])
    assert speed.flagged.tolist() == [False, False, False, False, True]  # before its sign


def test_it_is_empty_once_the_direction_is_no_longer_known(spec: Spec) -> None:
    whole = frames([lever(0, 1), *(motor(10 * i, 36) for i in range(1, 30))])
    valid = speeds(spec, [whole]).valid
    assert valid.tolist() == [10 * i <= 150 for i in range(1, 30)]  # three periods of the lever


def test_any_cutting_gives_the_same(spec: Spec) -> None:
    rows = [motor(10 * i, i) for i in range(40)] + [lever(50 * i + 3, [2, 1, 3, 1][i % 4]) for i in range(5)]
    whole = frames(sorted(rows))
    one, other = speeds(spec, [whole]), speeds(spec, whole.split(range(1, len(whole))))
    assert one.values[one.valid].tolist() == other.values[other.valid].tolist()
    assert one.valid.tolist() == other.valid.tolist()
