"""The command line in a process of its own, with a bare environment and a screen of 100 columns."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Protocol

ROOT = Path(__file__).parent.parent.parent
GOLDEN = Path(__file__).parent / "golden"
# As a user at the top of the repository names them.
DEMO = "captures/steering_drop.log"
CART = "specs/orchard_cart/cart.yaml"
COMMAND = [sys.executable, "-m", "canmap"]
LONGEST_S = 30
SCREEN = {"COLUMNS": "100", "NO_COLOR": "1", "TZ": "UTC"}


class Command(Protocol):
    """Runs the command line with some arguments."""

    def __call__(self, *arguments: object) -> subprocess.CompletedProcess[str]:
        """Return what became of it."""


def environment(**changes: str) -> dict[str, str]:
    """What a process gets to see of ours, and nothing else."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME", "SYSTEMROOT") if name in os.environ}
    return {
        **kept, **SCREEN, "PYTHONPATH": str(ROOT), "LC_ALL": "C.UTF-8", **changes,
    }  # fmt: skip


def canmap(
    *arguments: str | Path, given: bytes | None = None, cwd: Path = ROOT, **changes: str
) -> subprocess.CompletedProcess[str]:
    """Run a command; `given` is its standard input."""
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)],
        input=given,
        stdin=subprocess.DEVNULL if given is None else None,
        capture_output=True,
        cwd=cwd,
        env=environment(**changes),
        timeout=LONGEST_S,
        check=False,
    )
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return subprocess.CompletedProcess(
        done.args, done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    )


def demo_lines() -> list[str]:
    """The lines of the demo capture."""
    return (ROOT / DEMO).read_text(encoding="ascii").splitlines(keepends=True)


def repeated(times: int, every_s: int = 12) -> str:
    """The demo capture several times over, one after the other."""
    text = []
    for lap in range(times):
        for line in demo_lines():
            stamp, rest = line[1:11], line[11:]
            text.append(f"({int(stamp) + lap * every_s}{rest}")
    return "".join(text)


def check_golden(name: str, text: str) -> None:
    """Compare with a golden file; CANMAP_REWRITE_GOLDEN=1 writes it anew, to be read in the diff."""
    path = GOLDEN / name
    if os.environ.get("CANMAP_REWRITE_GOLDEN"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert path.exists(), f"{path} is not there; write it with CANMAP_REWRITE_GOLDEN=1"
    assert text == path.read_text(encoding="utf-8")
