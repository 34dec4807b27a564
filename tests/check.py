"""Every check of the project in one command: lint, format, types, tests.

python tests/check.py          # what every change must pass
python tests/check.py --deep   # with many more examples for the property tests, and branch coverage

Coverage is measured where a test calls the code itself, in unit and reference tests. They take half as long
again with it, so it is left to the deep run.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent
LEAST_COVERAGE = "88"
PYTEST = ["pytest", "-q", "--numprocesses=auto", "--dist=worksteal"]  # no processor waits for the last tests
COVERAGE = ["--cov", "--cov-report=term:skip-covered", f"--cov-fail-under={LEAST_COVERAGE}"]


def steps(*, deep: bool) -> dict[str, list[str]]:
    """Return what is run, by name, as modules of Python."""
    return {
        "lint": ["ruff", "check", "."],
        "format": ["ruff", "format", "--check", "."],
        "types": ["mypy"],
        "unit and reference tests": [*PYTEST, *(COVERAGE if deep else ()), "tests/unit", "tests/reference"],
        "property and end-to-end tests": [*PYTEST, "tests/property", "tests/e2e"],
    }


def main() -> int:
    """Run the steps; the first that fails ends the run."""
    environment, deep = dict(os.environ), "--deep" in sys.argv[1:]
    if deep:
        environment["CANMAP_DEEP"] = "1"
    for name, command in steps(deep=deep).items():
        began = time.monotonic()
        status = subprocess.run(
            [sys.executable, "-m", *command], cwd=ROOT, env=environment, check=False
        ).returncode
        print(
            f"{name}: {'passed' if status == 0 else 'FAILED'} in {time.monotonic() - began:.0f} s", flush=True
        )
        if status:
            return status
    return 0


if __name__ == "__main__":
    sys.exit(main())
