"""Every check of the project in one command: lint, format, types, tests.

python tests/check.py          # what every change must pass
python tests/check.py --deep   # the same with many more examples for the property tests

Branch coverage is measured where a test calls the code itself, in unit and reference tests: they take half as
long again with it, and it tells little of what runs in processes of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent
LEAST_COVERAGE = "88"
PYTEST = ["pytest", "-q", "--numprocesses=auto"]
STEPS = {
    "lint": ["ruff", "check", "."],
    "format": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
    "unit and reference tests": [
        *PYTEST,
        "--cov",
        "--cov-report=term:skip-covered",
        f"--cov-fail-under={LEAST_COVERAGE}",
        "tests/unit",
        "tests/reference",
    ],
    "property and end-to-end tests": [*PYTEST, "tests/property", "tests/e2e"],
}


def main() -> int:
    """Run the steps; the first that fails ends the run."""
    environment = dict(os.environ)
    if "--deep" in sys.argv[1:]:
        environment["CANMAP_DEEP"] = "1"
    for name, command in STEPS.items():
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
