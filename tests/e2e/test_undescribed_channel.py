"""A channel that the spec does not describe may go on where nothing comes on all others: that is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.e2e.test_diagnose_command import CARRIER, CART, run, section, simulate

if TYPE_CHECKING:
    from pathlib import Path

STALL = "{kind: host_stall, at: 5.2 s, for: 700 ms}"
LOOSE = "{kind: recorder_loose_plug, bus: machine, at: 5 s, for: 4 s, every: 300 ms}"


def with_another_channel(capture: Path) -> Path:
    """Write the same capture with a frame every 5 ms on a channel of its own, `can7`."""
    lines = capture.read_text(encoding="ascii").splitlines()
    first, last = (round(float(line.split()[0][1:-1]) * 1e6) for line in (lines[0], lines[-1]))
    lines += [
        f"({at_us // 1_000_000}.{at_us % 1_000_000:06}) can7 5A1#0102" for at_us in range(first, last, 5_000)
    ]
    mixed = capture.with_name("mixed.log")
    mixed.write_text("".join(f"{line}\n" for line in sorted(lines)), encoding="ascii")
    return mixed


@pytest.mark.parametrize(
    ("spec", "scenario", "fault", "alone", "beside"),
    [
        (
            *(CART / "cart.yaml", "short_drive", STALL),
            "Nothing at all was recorded for 70",
            "Nothing of channels can0 and can1 was recorded for 702 ms, "
            "while channel can7, which the spec does not describe, went on.",
        ),
        (
            *(CARRIER / "garden_carrier.yaml", "lane", LOOSE),
            "nothing at all came; what came next was in time.",
            "nothing of channel can0 came, while channel can7, which the spec does not describe, went on; "
            "what came next was in time.",
        ),
    ],
    ids=["once", "for moments"],
)
def test_what_went_on_is_told(
    spec: Path, scenario: str, fault: str, alone: str, beside: str, tmp_path: Path
) -> None:
    faults, capture = tmp_path / "faults.yaml", tmp_path / "alone.log"
    faults.write_text(f"faults: [{fault}]\n", encoding="utf-8")
    simulate(scenario, faults, str(capture), spec.parent)
    for path, said, not_said in (
        (capture, alone, "does not describe"),
        (with_another_channel(capture), beside, "at all"),
    ):
        told = section(run(str(path), "--spec", str(spec))[1], "What happened")
        assert said in " ".join(told.split())
        assert not_said not in told
