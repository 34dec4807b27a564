"""What is fuzzed: for each target its seeds, the damage that is done to them, and what must come of it."""

from __future__ import annotations

import bz2
import gzip
import lzma
import tempfile
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.extras import is_installed
from canmap.frames.capture_formats import BY_ENDING, FORMATS
from tests.captures import damaged, seeds
from tests.damage import description_outcome, outcome, spec_outcome
from tests.hostile import HOSTILE
from tests.texts import damaged_spec, damaged_text, descriptions, specs

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

MIB = 1 << 20


class Target(NamedTuple):
    """Something that reads what others wrote."""

    seeds: Callable[[], list[bytes]]
    hostile: Callable[[], list[bytes]]  # inputs that are made to exhaust it
    damage: Callable[[random.Random, bytes, Sequence[bytes]], bytes]
    outcome: Callable[[bytes], str]

    def input(self, rng: random.Random, number: int, originals: Sequence[bytes]) -> bytes:
        """Return the input of a number; the first ones are the hostile ones."""
        made = self.hostile()
        return made[number] if number < len(made) else self.damage(rng, rng.choice(originals), originals)


def _captures(ending: str) -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        return seeds(Path(folder), ending)


def _damaged_capture(rng: random.Random, data: bytes, others: Sequence[bytes]) -> bytes:
    return damaged(rng, data)


def _damaged_text_capture(rng: random.Random, data: bytes, others: Sequence[bytes]) -> bytes:
    return damaged(rng, data) if rng.random() < 0.7 else damaged_text(rng, data, others)


def _nothing() -> list[bytes]:
    return []


@cache
def _hostile(ending: str) -> list[bytes]:
    if BY_ENDING[ending].magic:
        return HOSTILE[ending]() if ending in HOSTILE else []
    zeros = b"(1.5) can0 123#11\n" + b"0" * (100 * MIB)
    return [gzip.compress(zeros, 9), bz2.compress(zeros), lzma.compress(zeros, preset=1)]


TARGETS = {
    **{
        one.ending: Target(
            partial(_captures, one.ending),
            partial(_hostile, one.ending),
            _damaged_capture if one.magic else _damaged_text_capture,
            partial(outcome, one.ending),
        )
        for one in FORMATS
    },
    "description": Target(descriptions, _nothing, damaged_text, partial(description_outcome, ".dbc")),
    "spec": Target(specs, _nothing, damaged_spec, spec_outcome),
}


def missing(name: str) -> str:
    """Say why a target cannot be fuzzed here; empty where it can."""
    extra = BY_ENDING[name].extra if name in BY_ENDING else ""
    return (
        f"it needs the extra '{extra}', which is not installed" if extra and not is_installed(extra) else ""
    )
