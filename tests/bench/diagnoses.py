"""Simulated faults, diagnosed: how often the root is named, tied, left open, or wrong; and without a source.

python tests/bench/diagnoses.py [SEEDS] [FIRST SEED] [FAULT...]

`beyond` for FAULT takes those whose mechanism the table has no row for.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path

from scipy.stats import beta

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from canmap.diagnosis.diagnosis import without  # noqa: E402
from canmap.diagnosis.evidence import Atom  # noqa: E402
from tests.diagnosed import BEYOND, FAULTS, Rated, rated, run_fault  # noqa: E402

SLACK_NS = 1_000_000  # of what recorders stamp late
COLUMNS = ("root", "tie", "undetermined", "wrong", "no episode")


def upper_bound(count: int, whole: int) -> float:
    """The upper 95 % bound of a share (Clopper and Pearson, one-sided)."""
    return 1.0 if count >= whole else float(beta.ppf(0.95, count + 1, whole - count))


def table(found: dict[str, list[Rated]]) -> None:
    """Print the confusion table."""
    print(f"{'fault':24}" + "".join(f"{name:>14}" for name in COLUMNS) + "  named wrongly or left open")
    whole: Counter[str] = Counter()
    for name, outcomes in found.items():
        counts = Counter(one.how for one in outcomes)
        whole += counts
        odd = Counter(" / ".join(one.named) for one in outcomes if one.how in {"wrong", "undetermined"})
        said = "; ".join(f"{named or 'nothing'} ({count})" for named, count in odd.most_common(3))
        print(f"{name:24}" + "".join(f"{counts[column]:>14}" for column in COLUMNS) + f"  {said}")
    total = whole.total()
    print(f"{'all':24}" + "".join(f"{whole[column]:>14}" for column in COLUMNS))
    right = whole["root"] + whole["tie"]
    print(
        f"root or tie {100 * right / total:.1f} %; confidently wrong {100 * whole['wrong'] / total:.2f} %,"
        f" upper 95 % bound {100 * upper_bound(whole['wrong'], total):.2f} %"
    )


def begins(found: dict[str, list[Rated]]) -> None:
    """Print how often the fault began between the moments that are told, and which faults do not."""
    held: Counter[str] = Counter()
    whole: Counter[str] = Counter()
    for name, outcomes in found.items():
        for one in outcomes:
            if one.diagnosis is not None and one.diagnosis.span.number == 1:
                low_ns, high_ns = one.diagnosis.begins_ns
                held[name] += low_ns <= one.start_ns <= high_ns + SLACK_NS
                whole[name] += 1
    outside = "; ".join(f"{name} ({whole[name] - held[name]})" for name in whole if held[name] < whole[name])
    print(f"it began between the moments told: {held.total()} of {whole.total()}; not: {outside}")


def ablation(found: dict[str, list[Rated]]) -> None:
    """Print how the same evidence fares with each source taken away."""
    for atom in Atom:
        counts: Counter[str] = Counter()
        wrongly: Counter[str] = Counter()
        for name, outcomes in found.items():
            for one in outcomes:
                if one.diagnosis is not None:
                    how, named = rated(name, without(one.diagnosis, {atom}))
                    counts[how] += 1
                    if how == "wrong":
                        wrongly[f"{name}: {' / '.join(named)}"] += 1
        total = counts.total()
        share = " ".join(f"{how} {100 * counts[how] / total:.1f} %" for how in COLUMNS[:-1])
        said = "; ".join(f"{text} ({count})" for text, count in wrongly.most_common(5))
        print(f"without {atom.value:12} {share}  {said}")


def main(seeds: int, first: int, names: list[str]) -> None:
    """Run the faults with that many seeds each."""
    found: dict[str, list[Rated]] = defaultdict(list)
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for name in BEYOND if names == ["beyond"] else names or FAULTS:
            for seed in range(first, first + seeds):
                found[name] += run_fault(name, seed, Path(folder))
    table(found)
    begins(found)
    ablation(found)
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    given = sys.argv[1:]
    numbers = [int(word) for word in given if word.isdigit()]
    main(*(numbers + [3, 0][len(numbers) :]), [word for word in given if not word.isdigit()])
