"""What the end-to-end tests share."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from canmap.cli.main import main
from tests.e2e.shell import SCREEN

if TYPE_CHECKING:
    from tests.e2e.shell import Command


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Command:
    """The command line in this process, from its arguments to its exit status.

    For what is tried in many ways; that it is the same in a process of its own is tested beside it.
    """
    for name, value in SCREEN.items():
        monkeypatch.setenv(name, value)

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        monkeypatch.setattr(sys, "argv", ["canmap", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        said = capfd.readouterr()
        assert isinstance(end.value.code, int)
        return subprocess.CompletedProcess(arguments, end.value.code, said.out, said.err)

    return run
