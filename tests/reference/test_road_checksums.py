"""The checksums of a recorded road drive hold on every frame, and a spec that has one wrong is told so.

Source: the open data set comma2k19 (MIT licence), H. Schafer et al., "A Commute in Data: The comma2k19
Dataset", arXiv:1812.05752 (2018). The last byte of two messages is the sum of the identifier's bytes, the
length and the first seven bytes (the README of the recording; from memory, and true of every frame).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import canmap
from tests.reference.road import (
    BODY,
    STEER,
    WHOLE,
    Line,
    edited,
    inspect_lines,
    protected,
    recording,
    times_s,
)

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    return recording(shared)


def checksums(result: Inspection) -> dict[str, dict[str, object]]:
    return {
        message["name"]: message["checksum"]
        for message in result.to_json()["messages"]
        if "checksum" in message
    }


def of_checksums(result: Inspection) -> list[Finding]:
    return [finding for finding in result.findings if finding.kind == "checksum"]


def test_both_checksums_hold_on_every_frame(shared: Path, lines: list[Line], tmp_path: Path) -> None:
    result = canmap.inspect(str(shared / "road-drive" / "frames.log.gz"), protected(tmp_path))
    assert of_checksums(result) == []
    known = checksums(result)
    for name, can_id in (("SteerSensor", STEER), ("BodySpeed", BODY)):
        assert known[name]["frames"] == len(times_s(lines, can_id)) > 1000
        assert (known[name]["wrong"], known[name]["confirmed"]) == (0, True)


@pytest.mark.parametrize(
    ("order", "lacking"),
    [
        ("[payload]", "identifier and length"),
        ("[length, payload]", "identifier"),
        ("[identifier, payload]", "length"),
    ],
)
def test_what_a_spec_leaves_out_of_the_sum_is_named(
    shared: Path, tmp_path: Path, order: str, lacking: str
) -> None:
    spec = protected(tmp_path, body=WHOLE.replace("[identifier, length, payload]", order))
    result = canmap.inspect(str(shared / "road-drive" / "frames.log.gz"), spec)
    (finding,) = of_checksums(result)
    assert (finding.place.message, finding.facts["reason"]) == ("BodySpeed", "wrong_spec")
    assert f"which is what the {lacking} would add: see `order`" in finding.text


def test_a_damaged_second_is_found_where_it_is(lines: list[Line], tmp_path: Path) -> None:
    """The steering message as a noisy line would leave it: one bit of byte 4 turned from 12 s to 13 s."""

    def change(line: Line) -> Line | None:
        if line.can_id != STEER or line.channel != "can0" or not 12_000_000 <= line.t_us < 13_000_000:
            return line
        byte = int(line.data[6:8], 16) ^ 1
        return Line(line.t_us, line.channel, line.can_id, f"{line.data[:6]}{byte:02X}{line.data[8:]}")

    result = inspect_lines(edited(lines, change), tmp_path, protected(tmp_path))
    (finding,) = of_checksums(result)
    hit = [t for t in times_s(lines, STEER) if 12.0 <= t < 13.0]
    assert (finding.place.message, finding.count, finding.open) == ("SteerSensor", len(hit), False)
    assert result.seconds(finding.start_ns) == pytest.approx(hit[0], abs=1e-6)
    assert result.seconds(finding.end_ns) == pytest.approx(
        min(t for t in times_s(lines, STEER) if t >= 13.0), abs=1e-6
    )
    assert checksums(result)["SteerSensor"]["confirmed"]
