"""Payloads that are not as long as described; those of FD frames are padded."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.frames.chunks import FD_WIDTH, FLAG_FD, widen
from tests.kits import of_kind, row, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

# Described length, that of the frames, and whether it is right. An FD payload ends where the next length code
# does, ISO 11898-1: 0 to 8, 12, 16, 20, 24, 32, 48, 64 bytes; up to 8 bytes nothing is padded.
FD = [(10, 12, True), (12, 12, True), (13, 16, True), (49, 64, True), (6, 6, True)]
FD += [(10, 16, False), (12, 16, False), (13, 12, False), (6, 8, False), (6, 5, False)]
CLASSIC = [
    (8, 8, True),
    (6, 8, False),
    (10, 8, False),
    (0, 0, True),
    (0, 1, False),
    (8, 0, False),
    (100, 8, False),
]


@pytest.mark.parametrize(
    ("described", "came", "is_right", "flags"),
    [*((*one, FLAG_FD) for one in FD), *((*one, 0) for one in CLASSIC)],
)
def test_a_padded_fd_payload_has_its_length_and_a_classic_one_as_described(
    tmp_path: Path, described: int, came: int, is_right: bool, flags: int
) -> None:
    spec = spec_of(tmp_path, f"BO_ 256 Wide: {described} Node\n")  # 100: sent in several frames
    chunk = frames([row(10 * i, 0x100, b"") for i in range(3)])
    length = np.full(3, came, np.uint8)
    payload = widen(chunk.payload, FD_WIDTH) if came > 8 else chunk.payload
    chunk = replace(chunk, length=length, payload=payload, flags=np.full(3, flags, np.uint8))
    found = told(of_kind(inspected([chunk], spec)[0], "length"))
    assert len(found) == (not is_right), found
    assert is_right or f"bytes instead of {described} from the start" in found[0].replace(" byte ", " bytes ")
