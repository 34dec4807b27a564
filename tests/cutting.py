"""What a stream says in all, to the bit, for the laws about cutting it; streams with many faults in them."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np

from tests.streams import CART, inspected, spec_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canmap.findings.episodes import Event
    from canmap.frames.chunks import FrameChunk
    from canmap.records.columns import Records


def told(
    chunks: list[FrameChunk], path: Path = CART
) -> tuple[str, dict[str, list[bytes]], list[tuple[str, ...]]]:
    """JSON, every column of every record to the bit, and what was told on the way."""
    spec = spec_of(path)
    result, events = inspected(chunks, spec, [rule.name for rule in spec.records])
    return json.dumps(result.to_json()), of_records(result.records), sorted(map(moment, events))


def of_records(kept: Mapping[str, Records]) -> dict[str, list[bytes]]:
    """Every column of every record, to the bit."""
    return {
        name: [
            records.clock_ns.tobytes(),
            *(
                part.tobytes()
                for column in records.columns.values()
                for part in (
                    np.where(column.valid, column.values, 0), column.valid, column.age_ns, column.flagged
                )
            ),
        ]
        for name, records in kept.items()
    }  # fmt: skip


def moment(event: Event) -> tuple[str, ...]:
    """What is told, of what, and from when on it was known."""
    finding = event.finding
    known = "at the end" if event.known_ns is None else f"{event.known_ns:020}"
    span = str(finding.start_ns), str(finding.end_ns), str(finding.count)
    return known, type(event).__name__, finding.kind, str(finding.place), *span, finding.text
