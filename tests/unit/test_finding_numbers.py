"""Every number in the sentence of a finding is in a field of it too, so that nobody reads it from there."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given

import canmap
from canmap.checks.all import KINDS
from canmap.findings.finding import Finding, Kind, Place, Severity
from tests.finding_numbers import LACKING, lacking
from tests.streams import CART, TRUCK, VEHICLE, inspected, spec_of, streams

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk
    from canmap.results.inspection import Inspection

CAPTURES = sorted((Path(canmap.__file__).parent.parent / "captures").glob("*.log"))


def without_field(result: Inspection) -> list[tuple[str, list[str]]]:
    return [(finding.text, numbers) for finding in result.findings if (numbers := lacking(finding))]


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.stem)
def test_every_number_of_a_finding_of_the_demonstration_is_in_a_field(capture: Path) -> None:
    assert without_field(canmap.inspect(str(capture), spec_of())) == []


@given(streams(CART))
def test_every_number_of_a_finding_of_the_cart_is_in_a_field(chunk: FrameChunk) -> None:
    assert without_field(inspected([chunk])[0]) == []


@given(streams(VEHICLE))
def test_every_number_of_a_finding_of_the_utility_vehicle_is_in_a_field(chunk: FrameChunk) -> None:
    assert without_field(inspected([chunk], spec_of(VEHICLE))[0]) == []


@given(streams(TRUCK))
def test_every_number_of_a_finding_of_the_truck_is_in_a_field(chunk: FrameChunk) -> None:
    assert without_field(inspected([chunk], spec_of(TRUCK))[0]) == []


def test_every_number_of_a_bad_line_is_in_a_field(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    lines = CAPTURES[0].read_text(encoding="utf-8").splitlines()[:40]
    lines[7], lines[9] = "(x) can0 100#00", lines[9] + "0"
    Path("bad.log").write_text("\n".join(lines) + "\n(1.5) can0 1", encoding="utf-8")
    result = canmap.inspect("bad.log", spec_of())
    assert {"bad_line", "truncated"} <= {str(finding.kind) for finding in result.findings}
    assert without_field(result) == []


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("Speed was silent for 430.04 ms; it is stale after 60 ms.", []),
        ("Speed was silent for 431 ms; it is stale after 60 ms.", ["431 ms"]),
        ("Speed was silent for 430.04 ms; it is stale after 61 ms.", ["61 ms"]),
        ("Speed came 3 times.", []),
        ("Speed came 4 times.", ["4 times"]),
        ("Speed came from 7A0.", ["7A0"]),
    ],
)
def test_a_number_that_no_field_has_is_seen(text: str, missing: list[str]) -> None:
    finding = Finding(
        kind=Kind("stale", Severity.ERROR),
        severity=Severity.ERROR,
        place=Place(message="Speed"),
        start_ns=0,
        end_ns=10**9,
        count=3,
        value=0.430042,
        limit=0.06,
        text=text,
    )
    assert [one.rstrip(".") for one in lacking(finding)] == missing


def test_what_is_lacking_is_of_kinds_that_exist() -> None:
    assert set(LACKING) <= set(KINDS)
