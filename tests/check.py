"""Every check of the project in one command: lint, format, types, tests with branch coverage.

python tests/check.py          # what every change must pass
python tests/check.py --deep   # the same with many more examples for the property tests
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent
LEAST_COVERAGE = "90"
STEPS = {
    "lint": ["ruff", "check", "."],
    "format": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
    "tests": [
        "pytest",
        "-q",
        "--numprocesses=auto",
        "--cov",
        "--cov-report=term:skip-covered",
        f"--cov-fail-under={LEAST_COVERAGE}",
    ],
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
