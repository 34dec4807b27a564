"""A diagnosis says where it could not see a silence, as no period is known."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.e2e.test_diagnose_command import CART, CLEAN, run


@pytest.mark.parametrize("known", [False, True])
def test_a_gap_where_no_period_is_known_is_told_as_not_checked(known: bool, tmp_path: Path) -> None:
    """Where one is known, what else came before has to have come too: all of the bus is silent."""
    periods = re.compile(r'^BA_ "GenMsgCycleTime" BO_ (?!304 )' if known else r'^BA_ "GenMsgCycleTime" BO_ ')
    for name in ("kit.dbc", "chassis.dbc"):
        lines = (CART / name).read_text(encoding="utf-8").splitlines(keepends=True)
        (tmp_path / name).write_text("".join(line for line in lines if not periods.match(line)))
    spec, capture = tmp_path / "small.yaml", tmp_path / "gap.log"
    spec.write_text(
        "vehicle: Small\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
        "  chassis: {description: chassis.dbc, channel: can1}\n"
        "records: {drive: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}}\n"
    )
    lines = Path(CLEAN).read_text(encoding="ascii").splitlines(keepends=True)
    stamps = [float(line.split()[0][1:-1]) for line in lines]
    inside = [7.0 < stamp - stamps[0] < 7.6 for stamp in stamps]
    kept = [line for line, cut in zip(lines, inside, strict=True) if not (cut and " can0 " in line)]
    capture.write_text("".join(kept), encoding="ascii")
    status, text = run(str(capture), "--spec", str(spec))
    told = " ".join(text.split())
    assert status == int(known)
    if known:
        assert "Bus drive as a whole fell silent" in told
        assert "A node stopped sending one message" not in told
    else:
        assert "no message whose period is known fell silent" in told
        assert re.search(r"No period is known for .*: whether one of these fell silent was not checked", told)


@pytest.mark.parametrize("known", [False, True])
def test_a_message_whose_pages_have_periods_is_checked(known: bool, tmp_path: Path) -> None:
    """Truth: a message of two pages, by turns once in 50 ms, whose spec gives the period of each page."""
    (tmp_path / "pack.dbc").write_text(
        'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Pack Other\n\nBO_ 512 Cells: 4 Pack\n'
        ' SG_ Page M : 0|8@1+ (1,0) [0|0] "" Other\n'
        ' SG_ Voltage m0 : 8|16@1+ (0.1,0) [0|0] "V" Other\n'
        ' SG_ Current m1 : 8|16@1- (0.1,0) [0|0] "A" Other\n'
    )
    spec, capture = tmp_path / "pack.yaml", tmp_path / "pack.log"
    pages = "messages: {Cells: {multiplexed: {Page: {0: {period: 100 ms}, 1: {period: 100 ms}}}}}\n"
    spec.write_text(
        "vehicle: Small\nbuses: {drive: {description: pack.dbc, channel: can0}}\n"
        + (pages if known else "")
        + "records: {battery: {type: Battery, stamp: Cells, voltage: Cells.Voltage}}\n"
    )
    frames = (f"({100 + n / 20:.6f}) can0 200#{n % 2:02X}F40100\n" for n in range(200))
    capture.write_text("".join(frames), encoding="ascii")
    told = " ".join(run(str(capture), "--spec", str(spec))[1].split())
    assert ("no message fell silent" in told) is known
    assert ("No period is known for Cells: whether it fell silent was not checked." in told) is not known
