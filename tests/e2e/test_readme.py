"""README holds what it promises: its example in Python, the lines that it shows, its commands."""

from __future__ import annotations

import re
import shlex
import tomllib
from typing import TYPE_CHECKING

import pytest

from canmap import Severity, inspect
from tests.e2e.shell import ROOT, canmap
from tests.found_faults import NOT_FOUND
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

SCENARIO = ROOT / "specs" / "orchard_cart" / "scenarios" / "short_drive.yaml"
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_demo_prints_what_is_shown() -> None:
    line = next(line for line in README.splitlines() if "canmap inspect captures" in line)
    _, _, command = line.partition(".venv/bin/canmap ")
    shown = README.split("<!-- demo -->")[1].split("```")[1].strip().splitlines()
    printed = canmap(*shlex.split(command), COLUMNS="200").stdout.splitlines()
    assert [line for line in shown if line not in printed] == []


def test_the_course_of_the_session_is_what_is_shown() -> None:
    shown = README.split("<!-- course -->")[1].split("```")[1].strip("\n").splitlines()
    printed = canmap(
        *shlex.split(next(one for one in SITUATIONS if "stop_pressed" in one))
    ).stdout.splitlines()
    assert len(shown) >= 2
    assert [line for line in shown if line not in printed] == []


def test_the_diagnosis_is_what_is_shown() -> None:
    shown = README.split("<!-- diagnosis -->")[1].split("```")[1].strip("\n").splitlines()
    command = next(one for one in SITUATIONS if one.startswith("diagnose") and "withdrew" in one)
    printed = canmap(*shlex.split(command), COLUMNS="").stdout  # in a pipe, as wide as a page
    assert "\n".join(shown) in printed


def test_two_lines_are_a_spec_to_begin_with(tmp_path: Path) -> None:
    spec = tmp_path / "first.yaml"
    spec.write_text(README.split("```yaml")[1].split("```")[0], encoding="utf-8")
    (tmp_path / "kit.dbc").symlink_to(ROOT / "specs" / "orchard_cart" / "kit.dbc")
    done = canmap("inspect", ROOT / "captures" / "clean_drive.log", "--spec", spec)
    assert (done.returncode, done.stderr) == (0, "")
    assert re.search(r"^ +SteerFeedback +[\d,]+ +10 ", done.stdout, re.MULTILINE)
    refused = canmap("inspect", ROOT / "captures" / "clean_drive.log", "--spec", tmp_path / "kit.dbc")
    assert "{description: kit.dbc, channel: can0}" in refused.stderr


def test_the_exports_run_and_give_the_line_that_is_shown(tmp_path: Path) -> None:
    section = README.split("## Tables and lines")[1].split("\n## ")[0]
    for name in ("captures", "specs"):
        (tmp_path / name).symlink_to(ROOT / name)
    commands = re.findall(r"^canmap (.*)$", section, re.MULTILINE)
    assert len(commands) == 3
    for command in commands:
        done = canmap(*shlex.split(command), cwd=tmp_path)
        assert (done.returncode, done.stderr) == (0, "")
    shown = section.split("<!-- lines -->")[1].split("```")[1].removeprefix("json").strip()
    assert shown in (tmp_path / "drive.jsonl").read_text(encoding="utf-8").splitlines()
    names = re.findall(r"`(throttle\w*)`", section)
    assert len(names) == 3
    assert set(names) < set((tmp_path / "drive.csv").read_text().splitlines()[0].split(","))
    assert (tmp_path / "drive_tables" / "columns.csv").is_file()


def test_the_examples_in_python_run(capsys, monkeypatch) -> None:
    monkeypatch.chdir(ROOT)
    program, sink = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    names: dict[str, object] = {}
    exec(compile(program, "README.md", "exec"), names)
    printed = capsys.readouterr().out
    assert printed.startswith("fail ['SteerFeedback was silent")
    assert "Steering(t_s=0.0" in printed
    exec(compile(sink, "README.md", "exec"), names)
    speed = inspect("captures/steering_drop.log", CART, keep="drive").records["drive"].speed
    assert capsys.readouterr().out == f"{speed.values[speed.valid].max():.2f} m/s \n"


SITUATIONS = re.findall(
    r"^canmap (.*)$", README.split("## Three situations")[1].split("\n## ")[0], re.MULTILINE
)


@pytest.mark.parametrize("command", SITUATIONS)
def test_the_three_situations_run_as_printed(command: str) -> None:
    done = canmap(*shlex.split(command))
    assert done.stderr == ""
    failing = any(name in command for name in ("day_one", "steering_drop", "stop_pressed", "withdrew"))
    assert done.returncode == (1 if failing else 0)


def test_what_is_said_not_to_be_found_is_what_is_not_found() -> None:
    listed = README.split("They do not find what a capture")[1].split("\n\n")[1]
    named = set(re.findall(r"`(\w+)`", listed))
    assert named == {example.split(",")[0] for example in NOT_FOUND}


def test_of_the_wrong_mappings_of_day_one_the_voltage_alone_is_found() -> None:
    found = inspect(ROOT / "captures" / "day_one.log", CART).findings
    told = {finding.place.signal for finding in found if finding.severity is not Severity.NOTE}
    assert told == {"Voltage"}


def test_every_command_of_the_table_exists() -> None:
    listed = canmap("--help").stdout
    for name in re.findall(r"^\| `canmap (\w+)", README, re.MULTILINE):
        assert re.search(rf"^  {name} ", listed, re.MULTILINE), name


def test_every_extra_is_named_with_how_it_is_installed() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    told = dict(
        re.findall(r"^\| `(\w+)` \| [^|]+ \| `pip install (?:-e )?'\.\[(\w+)\]'` \|$", README, re.MULTILINE)
    )
    assert told == {extra: extra for extra in extras}
    assert set(extras["tables"]) <= set(extras["dev"])
