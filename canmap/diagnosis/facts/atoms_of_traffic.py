"""Atoms of the traffic: error frames and load, identifiers that flood a bus, and what the recorder did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.diagnosis.facts.atoms_of_silence import reach_of
from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.damaged_frames import whose
from canmap.diagnosis.facts.evidence import Atom, Evidence
from canmap.diagnosis.facts.missed_together import by_bus, frames_of, moments_of
from canmap.findings.kinds import DUPLICATE
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

LEAST_ERRORS = 5
CUT = 0.5  # of the error frames: others may be of frames of which nobody knows when they are due
SEVERAL_MISSING = 2  # frames that are missing with an error are hardly lost otherwise
ENDS = 2  # of a silence, at each of which a frame may be cut
FULL, FREE = 0.8, 0.5  # share of the time for which a bus carries frames
FLOOD_A_SECOND, FLOOD_SHARE = 500, 0.4
FRAME_BITS, EXTENDED_BITS, STUFFED = 47, 67, 1.1  # ISO 11898-1, from memory; stuff bits about a tenth more
SPAN_NS = 1_000 * MS


def bus(case: CaseFile) -> Iterator[Evidence]:
    """Error frames, whose frames they damage, and how full the buses were."""
    if case.result.capture.error_frames:
        yield _errors(case)
    loads = _loads(case)
    if loads:
        name = max(loads, key=lambda one: loads[one])
        load = loads[name]
        if load >= FULL or load < FREE:
            value = "full" if load >= FULL else "free"
            yield Evidence(
                atom=Atom.BUS,
                value=value,
                subject=name,
                from_ns=case.begin_ns,
                to_ns=_until(case),
                amount=100 * load,
            )


def _until(case: CaseFile) -> int:
    return min(max(case.end_ns, case.begin_ns + 200 * MS), case.begin_ns + SPAN_NS)


def _inside(case: CaseFile) -> NDArray[np.intp]:
    clock = case.window.prepared.chunk.t_ns
    return np.flatnonzero((clock >= case.begin_ns) & (clock <= _until(case)))


def _errors(case: CaseFile) -> Evidence:
    chunk = case.window.prepared.chunk
    rows = np.flatnonzero((chunk.t_ns >= case.begin_ns) & (chunk.t_ns <= case.end_ns + 100 * MS))
    kind = chunk.kind[rows]
    errors = rows[kind == FrameKind.ERROR]
    if (cut := _cut(case)) is not None:
        return cut
    if len(errors) < LEAST_ERRORS:
        return Evidence(atom=Atom.BUS, value="clean", from_ns=case.begin_ns, to_ns=case.end_ns)
    value, subject, role = whose(case, chunk.t_ns[errors])
    first = int(errors[0])
    return Evidence(
        atom=Atom.BUS,
        value=value,
        role=role,
        subject=subject,
        from_ns=int(chunk.t_ns[first]),
        to_ns=int(chunk.t_ns[errors[-1]]),
        line=int(chunk.line[first]),
        amount=float(len(errors)),
    )


def _cut(case: CaseFile) -> Evidence | None:
    """Frames of which the recorder got a part: errors where one is missing, which otherwise is sent again."""
    contacts = by_bus(case)
    for bus in case.spec.buses:
        errors = frames_of(case, bus, errors=True)
        errors = errors[(errors >= case.begin_ns) & (errors <= case.end_ns)]
        moments, elsewhere = moments_of(case, bus)
        counts = [int(np.count_nonzero((errors >= m.from_ns) & (errors <= m.to_ns))) for m in moments]
        touched = np.count_nonzero(counts)
        if not touched or sum(counts) < CUT * len(errors) or max(counts) > ENDS:
            continue
        if bus in contacts or touched >= min(SEVERAL_MISSING, CUT * (len(moments) + elsewhere)):
            inside = errors[[any(m.from_ns <= at_ns <= m.to_ns for m in moments) for at_ns in errors]]
            return Evidence(
                atom=Atom.BUS,
                value="cut_frames",
                subject=bus,
                from_ns=int(inside[0]),
                to_ns=int(inside[-1]),
                line=case.line(int(inside[0])),
                amount=float(len(inside)),
            )
    return None


def _loads(case: CaseFile) -> dict[str, float]:
    """The load of each bus of a known bit rate at the begin of the episode."""
    chunk, rows = case.window.prepared.chunk, _inside(case)
    span_s = (_until(case) - case.begin_ns) / 1e9
    bits = np.where(chunk.extended, EXTENDED_BITS, FRAME_BITS) + 8.0 * chunk.length
    loads = {}
    for name, known in case.spec.buses.items():
        if known.bit_rate_bps is None or known.channel not in chunk.channels or span_s <= 0:
            continue
        own = rows[chunk.channel[rows] == chunk.channels.index(known.channel)]
        loads[name] = float(bits[own].sum()) * STUFFED / known.bit_rate_bps / span_s
    return loads


def strangers(case: CaseFile) -> Iterator[Evidence]:
    """An identifier that comes far more often than anything has to."""
    chunk, rows = case.window.prepared.chunk, _inside(case)
    span_s = (_until(case) - case.begin_ns) / 1e9
    for place, channel in enumerate(chunk.channels):
        own = rows[(chunk.channel[rows] == place) & (chunk.kind[rows] == FrameKind.DATA)]
        if not len(own):
            continue
        ids, counts = np.unique(chunk.can_id[own], return_counts=True)
        most = int(counts.argmax())
        often = counts[most] / span_s
        before = _rate_before(case, place, int(ids[most]))
        if often >= FLOOD_A_SECOND and counts[most] >= FLOOD_SHARE * len(own) and often > 5 * before:
            first = own[chunk.can_id[own] == ids[most]][0]
            yield Evidence(
                atom=Atom.STRANGERS,
                value="flood",
                subject=f"{int(ids[most]):03X} on {channel}",
                from_ns=int(chunk.t_ns[first]),
                to_ns=_until(case),
                line=int(chunk.line[first]),
                amount=float(often),
            )


def _rate_before(case: CaseFile, place: int, can_id: int) -> float:
    """How often an identifier came in the seconds before."""
    chunk = case.window.prepared.chunk
    before = (chunk.t_ns < case.begin_ns) & (chunk.channel == place) & (chunk.can_id == can_id)
    span_s = (case.begin_ns - case.window.from_ns) / 1e9
    return float(np.count_nonzero(before)) / span_s if span_s > 0 else 0.0


def recorder(case: CaseFile) -> Iterator[Evidence]:
    """Stamps that step back, and silences that last to the end of the recording."""
    for finding in case.findings("time_order"):
        yield Evidence(
            atom=Atom.RECORDER,
            value="stamps_back",
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            line=finding.line,
            amount=finding.value,
        )
    for finding in case.findings(DUPLICATE):
        yield Evidence(
            atom=Atom.RECORDER,
            value="recorded_twice",
            from_ns=finding.start_ns,
            to_ns=finding.end_ns,
            line=finding.line,
        )
    first = case.first_silent
    if first and all(gap.next_ns is None for gap in first) and reach_of(case, first) == "everything":
        yield Evidence(
            atom=Atom.RECORDER,
            value="to_the_end",
            from_ns=first[0].last_ns,
            to_ns=case.window.to_ns,
        )
