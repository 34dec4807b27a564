"""Damaged captures of every format: frames, bad lines or one error; no crash, no hang, little memory."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.capture_formats import BY_ENDING
from canmap.frames.seal import seal
from tests.captures import damaged, seeds
from tests.damage import LONGEST_S, outcome
from tests.hostile import CLAIMS, HOSTILE, blf, blf_claim, container, pcap_claim

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[bytes]]:
    folder = tmp_path_factory.mktemp("seeds")
    return {ending: seeds(folder, ending) for ending in BY_ENDING}


@pytest.mark.parametrize("ending", BY_ENDING)
@given(seed=st.integers(0, 2**32 - 1))
def test_damage(originals: dict[str, list[bytes]], ending: str, seed: int) -> None:
    rng = random.Random(seed)
    assert outcome(ending, damaged(rng, rng.choice(originals[ending]))) in {
        "frames",
        "bad",
        "error",
        "nothing",
    }


@pytest.mark.parametrize("ending", BY_ENDING)
@given(data=st.binary(max_size=300))
def test_any_bytes(ending: str, data: bytes) -> None:
    outcome(ending, data)


# One process a case, so that its peak is its own: 500 MB in all, and LONGEST_S on a quiet machine.
MEASURE = """
import sys, time
from canmap.base.errors import CaptureError
from canmap.frames.readers import open_captures
began = time.process_time()
frames = bad = 0
try:
    source = open_captures([sys.argv[1]])
    for piece in source.pieces():
        chunk = piece()
        frames, bad = frames + len(chunk), bad + chunk.bad_count
    source.close()
except CaptureError as error:
    bad = 1
with open("/proc/self/status") as status:
    peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1e3
print(frames, bad, peak, time.process_time() - began)
"""


def measured(path: Path) -> tuple[int, int]:
    """Read a capture in a process of its own; return its frames and bad lines."""
    assert path.stat().st_size < MIB
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(path)], capture_output=True, text=True, check=True, timeout=120
    )
    frames, bad, peak_mb, took_s = done.stdout.split()
    assert float(peak_mb) < 500
    assert float(took_s) < 2 * LONGEST_S  # the tests beside it take their share of the processor's cache
    return int(frames), int(bad)


@pytest.mark.parametrize("name", ["a.log.gz", "a.log.bz2", "a.log.xz", "a.asc.gz", "a.csv.gz", "a.trc.gz"])
def test_text_that_unpacks_to_zeros_without_end(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    opened = {".gz": gzip.open, ".bz2": bz2.open, ".xz": lzma.open}[path.suffix]
    with opened(path, "wb") as file:
        file.write(b"(1.5) can0 123#11\n")
        for _ in range(200):
            file.write(b"0" * MIB)
    frames, bad = measured(path)
    assert (frames <= 1, bad >= 1) == (True, True)


def test_table_with_rows_without_end(tmp_path: Path) -> None:
    polars = pytest.importorskip("polars")
    from canmap.frames.capture_formats import TABLE_NUMBERS, TABLE_WORDS

    rows = 20_000_000
    frame = polars.select(polars.repeat(0, rows, dtype=polars.Int64).alias("t_ns"))
    frame = frame.with_columns(
        *(
            polars.lit(polars.Series(np.zeros(1, dtype))).first().alias(name)
            for name, dtype in TABLE_NUMBERS.items()
            if name != "t_ns"
        ),
        polars.lit("can0").alias("channel"),
        *(polars.lit(0, polars.UInt64).alias(word) for word in TABLE_WORDS),
    )
    path = tmp_path / "a.parquet"
    frame.write_parquet(path, compression="zstd", row_group_size=rows, metadata={"canmap.frames": "2"})
    seal(str(path))
    assert measured(path) == (rows, 0)


@pytest.mark.parametrize("claim", CLAIMS)
def test_lengths_that_are_claimed(tmp_path: Path, claim: int) -> None:
    """10 GB do not fit in the fields of these formats; the largest that do are not believed."""
    path = tmp_path / "a.blf"
    path.write_bytes(blf_claim(claim))
    frames, bad = measured(path)
    assert (frames, bad >= 1) == (0, True)
    path.write_bytes(blf(container(b"", claimed=claim)))
    assert measured(path) == (0, 1)
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap_claim(claim))
    assert measured(path) == (0, 1)


@pytest.mark.parametrize("ending", sorted(HOSTILE))
def test_what_is_made_to_exhaust_a_reader(ending: str) -> None:
    for data in HOSTILE[ending]():
        assert outcome(ending, data) in {"frames", "bad", "error", "nothing"}
