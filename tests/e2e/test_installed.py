"""The package as it is installed: a wheel built from the checkout, used from another folder."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.e2e.shell import CART, DEMO, ROOT, environment


def run(*command: str, folder: Path, **changes: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        cwd=folder,
        env=environment(**changes),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds the package, unpacked from a wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    build = [*pip, "wheel", str(ROOT), "--no-deps", "--no-build-isolation", "--wheel-dir", str(folder)]
    built = run(*build, folder=folder)
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("canmap-*.whl")
    put = run(*pip, "install", "--no-deps", "--target", str(folder / "here"), str(wheel), folder=folder)
    assert put.returncode == 0, put.stderr
    return folder / "here"


def test_a_wheel_works_from_any_folder(installed: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-P", "-m", "canmap"]
    place = {"PYTHONPATH": str(installed)}
    where = run(sys.executable, "-P", "-c", "import canmap; print(canmap.__file__)", folder=tmp_path, **place)
    assert Path(where.stdout.strip()).is_relative_to(installed)
    told = run(*command, "inspect", str(ROOT / DEMO), "--spec", str(ROOT / CART), folder=tmp_path, **place)
    assert told.returncode == 1, told.stderr
    assert "SteerFeedback was silent" in told.stdout
    assert run(*command, "--version", folder=tmp_path, **place).stdout.startswith("canmap ")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_can_complete_words(shell: str, installed: Path, tmp_path: Path) -> None:
    script = installed / "bin" / "canmap"
    place = {"PYTHONPATH": str(installed), "PATH": os.environ["PATH"]}
    source = run(sys.executable, str(script), folder=tmp_path, **place, _CANMAP_COMPLETE=f"{shell}_source")
    assert "_CANMAP_COMPLETE" in source.stdout, source.stderr
    words = {"COMP_WORDS": "canmap in", "COMP_CWORD": "in" if shell == "fish" else "1"}
    said = run(
        *(sys.executable, str(script)),
        folder=tmp_path,
        **place,
        **words,
        _CANMAP_COMPLETE=f"{shell}_complete",
    )
    assert "inspect" in said.stdout, said.stderr
