"""Envelopes against numpy over the whole columns, and under any cutting of the stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.engine.engine import Engine
from canmap.summaries import envelopes
from canmap.summaries.envelopes import Envelopes
from tests.eventful import eventful
from tests.protect import protect
from tests.streams import CART, MS, START_NS, TRUCK, VEHICLE, cuts, frames, inspected, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.records.columns import FieldColumn
    from canmap.summaries.envelopes import RecordEnvelopes

FIRST_NS = 1 * MS


def all_fields(path: Path) -> dict[str, list[str]]:
    engine = Engine(spec_of(path))
    return {rule.name: list(engine.empty_records(rule.name).columns) for rule in spec_of(path).records}


def enveloped(
    chunks: Iterable[FrameChunk], path: Path, most_bins: int, patience: int = 0
) -> dict[str, RecordEnvelopes]:
    """The envelopes of chunks, of which so many may wait for the next: none, so that every cut counts."""
    consumer = Envelopes(all_fields(path), most_bins, FIRST_NS)
    consumer.patience = patience
    engine = Engine(spec_of(path), [consumer])
    for prepared in engine.prepared(chunks):
        engine.fold(prepared)
    return engine.result(Envelopes)


def to_the_bit(found: dict[str, RecordEnvelopes]) -> object:
    return {
        name: (
            one.start_ns, one.width_ns, one.count.tobytes(),
            {
                field: [(part.dtype.str, part.tobytes()) for part in (kept.low, kept.high, kept.valid)]
                for field, kept in one.fields.items()
            },
        )
        for name, one in found.items()
    }  # fmt: skip


def in_bins(column: FieldColumn, place: np.ndarray, bins: int) -> list[tuple[float, float, int]]:
    """Smallest, largest and number of the valid values of each bin, one bin after the other."""
    found = []
    for number in range(bins):
        values = column.values[(place == number) & column.valid]
        found.append((values.min(), values.max(), len(values)) if len(values) else (0, 0, 0))
    return found


@given(st.data())
def test_an_envelope_holds_what_numpy_finds_in_the_whole_columns(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    most_bins = 2 * data.draw(st.integers(1, 20))
    found = enveloped(whole.split(data.draw(cuts(whole))), path, most_bins)
    result, _ = inspected([whole], spec_of(path), all_fields(path))
    assert found.keys() == result.records.keys()
    start_ns, last_ns = result.capture.start_ns, 0
    if len(whole):
        last_ns = round(result.capture.duration_s * 1e9)
    width_ns = next(FIRST_NS << k for k in range(60) if last_ns < most_bins * (FIRST_NS << k))
    bins = last_ns // width_ns + 1 if len(whole) else 0
    for name, records in result.records.items():
        one = found[name]
        assert (one.start_ns, one.width_ns) == (start_ns, width_ns)
        place = (records.clock_ns - start_ns) // width_ns
        assert one.count.tolist() == np.bincount(place, minlength=bins).tolist()
        for field, column in records.columns.items():
            kept = one.fields[field]
            told = list(zip(kept.low.tolist(), kept.high.tolist(), kept.valid.tolist(), strict=True))
            assert told == in_bins(column, place, bins), (name, field)


@given(st.data())
def test_any_cutting_gives_the_same_envelopes_to_the_bit(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    most_bins = 2 * data.draw(st.integers(1, 20))
    patience = data.draw(st.sampled_from([0, 1, Envelopes.patience]))
    cut = enveloped(whole.split(data.draw(cuts(whole))), path, most_bins, patience)
    assert to_the_bit(cut) == to_the_bit(enveloped([whole], path, most_bins))


FORGOTTEN = {
    "what two bins are joined to": (envelopes._Bins, "widen", lambda _bins: None),
    "where the bins begin": (Envelopes, "fold", None),
}


def from_here(envelopes: Envelopes, views: list) -> None:
    envelopes._start_ns = None
    FOLD(envelopes, views)


FOLD = Envelopes.fold


@pytest.mark.parametrize("carry", FORGOTTEN)
def test_every_carry_of_an_envelope_is_needed(carry: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = eventful()
    pieces = whole.split([401, 705, 1164, 1600])
    assert to_the_bit(enveloped(pieces, CART, 64)) == to_the_bit(enveloped([whole], CART, 64))
    owner, name, method = FORGOTTEN[carry]
    monkeypatch.setattr(owner, name, method or from_here)
    assert to_the_bit(enveloped(pieces, CART, 64)) != to_the_bit(enveloped([whole], CART, 64))


def test_memory_is_that_of_the_bins_however_long_the_stream_is() -> None:
    valid, invalid = bytes.fromhex("000000B0000000FF"), bytes.fromhex("00000000B0000000")
    rows = [(START_NS + i * 40 * MS, "can0", 0x101, valid if i < 2500 else invalid) for i in range(5000)]
    # 200 s in at most 32 bins: 1 ms * 2^13 = 8.192 s is the first width of which 32 are enough (262 s).
    whole = protect(frames(rows), spec_of(CART))
    found = enveloped(whole.split(range(0, 5000, 7)), CART, 32)["steering"]
    assert (found.width_ns, len(found.count)) == (8_192 * MS, 199_960 // 8_192 + 1)
    assert found.count.sum() == 5000
    shares = found.share("wheel_angle").tolist()
    # Valid up to 100 s, which is in the bin from 98.304 s to 106.496 s: of 98.32, 98.36, ... 106.48 s those
    # before 100 s are (99.96 - 98.32) / 0.04 + 1 = 42 of (106.48 - 98.32) / 0.04 + 1 = 205.
    assert shares == [*[1.0] * 12, 42 / 205, *[0.0] * 12]


def test_a_bin_without_a_record_has_no_share() -> None:
    rows = [(START_NS + i * MS, "can0", 0x101, bytes.fromhex("00000000B0000000")) for i in (0, 1, 9)]
    found = enveloped([protect(frames(rows), spec_of(CART))], CART, 10)["steering"]
    assert found.count.tolist() == [1, 1, 0, 0, 0, 0, 0, 0, 0, 1]
    assert np.isnan(found.share("wheel_angle")).tolist() == [count == 0 for count in found.count]


def test_an_inspection_is_not_asked_for_envelopes() -> None:
    with pytest.raises(KeyError, match="Envelopes"):
        Engine(spec_of()).result(Envelopes)
