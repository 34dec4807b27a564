"""What the whole session tells of a wrong description is told wherever the findings are, on any screen."""

from __future__ import annotations

import io
import math
import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from canmap.cli.app import app
from canmap.cli.finding_lines import SHOWN_LINES, show_findings, show_known_at_the_end
from canmap.cli.render import Screen
from tests.kits import row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

SIGNALS = 12  # in a message each; of the last one the bytes are described the wrong way round
HINT = "With its bytes the other way round it would keep to its limits: see `correct`, byte_order: "
STEPS = 400


def wrong_spec(folder: Path) -> Spec:
    messages = "".join(
        f'BO_ {256 + n} M{n}: 8 Node\n SG_ V : 0|16@1- (1,0) [-5000|5000] "" Other\n' for n in range(SIGNALS)
    )
    return spec_of(folder, messages)


def payloads() -> list[tuple[float, int, bytes]]:
    """Time in ms, identifier and payload: of all but the last a value that leaves its range before it."""
    turned = [
        round(3000 * math.sin(i / 20) * (i > 250)).to_bytes(2, "big", signed=True) for i in range(STEPS)
    ]
    out = [(7000 if i // 20 % 2 else 0).to_bytes(2, "little") for i in range(STEPS)]
    return [
        (10.0 * i + n / 10, 256 + n, (turned if n == SIGNALS - 1 else out)[i].ljust(8, b"\0"))
        for i in range(STEPS)
        for n in range(SIGNALS)
    ]


def wrong(folder: Path) -> Inspection:
    spec = wrong_spec(folder)
    return inspected([frames(row(t_ms, can_id, data) for t_ms, can_id, data in payloads())], spec)[0]


def test_a_replay_tells_it_once_at_its_end_as_an_inspection_does(tmp_path: Path) -> None:
    wrong_spec(tmp_path)
    capture = tmp_path / "a.log"
    text = "".join(f"({t / 1e3:.6f}) can0 {can_id:03X}#{data.hex()}\n" for t, can_id, data in payloads())
    capture.write_text(text, encoding="ascii")
    arguments = [str(capture), "--spec", str(tmp_path / "spec.yaml")]
    replayed = CliRunner().invoke(app, ["replay", *arguments, "--pace", "flat"]).output
    inspection = CliRunner().invoke(app, ["inspect", *arguments]).output
    (line,) = [line for line in replayed.splitlines() if HINT in line]
    assert re.match(r"  error out_of_range \[2\.\d{3} to \d\.\d{3}.*\]  M11\.V was ", line)
    assert line in inspection.splitlines()
    assert replayed.splitlines().index(line) > max(
        at for at, other in enumerate(replayed.splitlines()) if re.match(r" +\d+\.\d+ s  ", other)
    )


def test_much_else_that_is_wrong_does_not_hide_it(tmp_path: Path) -> None:
    """Eleven signals with six lines each stand before it."""
    result = wrong(tmp_path)
    out = io.StringIO()
    show_findings(result, Screen(file=out, width=120))
    lines = [line for line in out.getvalue().splitlines() if "out_of_range" in line]
    assert len(lines) == SHOWN_LINES
    assert [HINT in line for line in lines] == [False] * (SHOWN_LINES - 1) + [True]
    errors = [one for one in result.findings if one.severity.value == "error"]
    hidden = re.search(r"and (\d+) more errors; --json has all", out.getvalue())
    assert hidden
    told = [re.match(r"  (\d+) errors ", line) for line in lines]
    assert int(hidden[1]) == len(errors) - sum(int(one[1]) if one else 1 for one in told)


@pytest.mark.parametrize("width", [30, 60, 200])
def test_on_a_terminal_it_goes_on_below_its_begin(tmp_path: Path, width: int) -> None:
    out = io.StringIO()
    show_known_at_the_end(wrong(tmp_path), Screen(file=out, width=width, force_terminal=True), si=False)
    lines = re.sub(r"\x1b\[[\d;]*m", "", out.getvalue()).splitlines()
    assert max(len(line.rstrip()) for line in lines) <= width
    assert all(line.startswith("  ") for line in lines)
    assert HINT in " ".join(" ".join(lines).split())
