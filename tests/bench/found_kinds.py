"""How often the checks find every fault of the simulator, as the kind that it is and at its time.

python -m tests.bench.found_kinds [SEEDS] [FIRST]

Each example of `tests/fault_examples.py` in a drive of nine seconds, over SEEDS seeds from FIRST (0) on, its
begin varied. Prints a row an example: how often it is found as all the kinds that `tests/found_faults.py`
states, and what errors and warnings of other kinds there are. A kind is asked for only where the frames have
something of it to show (`tests/fault_witnesses.py`); how often they have not, and why, stands in the row.
Ends with 1 if one is not found, or one that is not to be found is.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from canmap.findings.finding import Severity
from tests.fault_examples import EXAMPLES
from tests.found_faults import FOUND_AS, NOT_FOUND, SOMETIMES, found_in, kinds_while, long_trip, wanted_kinds


def measured(seeds: int, first: int = 0) -> int:
    """Run all examples and print the table; return how many runs are not as stated."""
    wrong, numbers = 0, range(first, first + seeds)
    with tempfile.TemporaryDirectory() as folder:
        for seed in numbers:
            wrong += bool(_serious(found_in(long_trip(Path(folder), None, seed))))
        print(f"without a fault: {seeds - wrong} of {seeds} without an error or a warning")
        print(f"{'fault':30} {'found':>7}  as, and beside it", flush=True)
        for example in EXAMPLES:
            wanted = FOUND_AS.get(example, set())
            right, beside, hidden = 0, Counter[str](), Counter[str]()
            for seed in numbers:
                run = long_trip(Path(folder), example, seed)
                findings = found_in(run)
                others = set(_serious(findings)) - wanted
                beside.update(others)
                seen, reasons = wanted_kinds(run, example)
                hidden.update(reasons)
                right += (
                    kinds_while(run, findings) >= seen if seen else others <= SOMETIMES.get(example, set())
                )
            wrong += seeds - right
            told = ", ".join(sorted(wanted)) or f"nothing: {NOT_FOUND[example]}"
            more = ", ".join(f"{kind} ({count})" for kind, count in beside.most_common())
            none = ", ".join(f"{why} ({count})" for why, count in hidden.most_common())
            parts = "; ".join(
                part for part in (told, f"not to be seen: {none}" if none else "", more) if part
            )
            print(f"{example:30} {right:>3} of {seeds}  {parts}", flush=True)
    return wrong


def _serious(findings: list) -> Counter[str]:
    return Counter(one.kind.value for one in findings if one.severity is not Severity.NOTE)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]] or [20]
    sys.exit(1 if measured(*given[:2]) else 0)
