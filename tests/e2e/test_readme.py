"""README holds what it promises: its example in Python, the lines that it shows, its commands."""

from __future__ import annotations

import re
import shlex

import pytest

from tests.e2e.shell import ROOT, canmap

README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_demo_prints_what_is_shown() -> None:
    line = next(line for line in README.splitlines() if "canmap inspect captures" in line)
    _, _, command = line.partition(".venv/bin/canmap ")
    shown = README.split("<!-- demo -->")[1].split("```")[1].strip().splitlines()
    printed = canmap(*shlex.split(command), COLUMNS="200").stdout.splitlines()
    assert [line for line in shown if line not in printed] == []


def test_the_example_in_python_runs(capsys, monkeypatch) -> None:
    monkeypatch.chdir(ROOT)
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    printed = capsys.readouterr().out
    assert printed.startswith("fail ['SteerFeedback was silent")
    assert "Steering(t_s=0.0" in printed


SITUATIONS = re.findall(
    r"^canmap (.*)$", README.split("## Three situations")[1].split("\n## ")[0], re.MULTILINE
)


@pytest.mark.parametrize("command", SITUATIONS)
def test_the_three_situations_run_as_printed(command: str) -> None:
    done = canmap(*shlex.split(command))
    assert done.stderr == ""
    failing = any(name in command for name in ("day_one", "steering_drop", "stop_pressed"))
    assert done.returncode == (1 if failing else 0)


def test_every_command_of_the_table_exists() -> None:
    listed = canmap("--help").stdout
    for name in re.findall(r"^\| `canmap (\w+)", README, re.MULTILINE):
        assert re.search(rf"^  {name} ", listed, re.MULTILINE), name
