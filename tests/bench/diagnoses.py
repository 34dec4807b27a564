"""Simulated faults, diagnosed: how often the root is named, tied, left open, or wrong; and without a source.

python -m tests.bench.diagnoses [SEEDS] [FIRST SEED] [FAULT...] [--vehicle NAME] [--keep FILE] [--again FILE]

Each fault of `tests/diagnosed.py` on each vehicle that can have it. Evidence is gathered once, by two
processes; `--keep` writes it to a file, a line an episode, and `--again` only scores what such a file holds.
`unseen` for FAULT takes those that no check can see, of which nothing may be named. `--clean HOURS` drives so
many hours without a fault, half of them each vehicle, and prints every episode: there may be none.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from scipy.stats import beta

from canmap.diagnosis.cause_table import cause_table
from canmap.diagnosis.facts.evidence import Atom, Evidence, Role
from canmap.diagnosis.scoring import judged
from canmap.simulator.wires import recorded
from tests.bench.clean_drives import DRIVES
from tests.diagnosed import ALL, FAULTS, UNSEEN, VEHICLES, diagnosed_of, possible, rated, run_fault
from tests.simulated import scenario_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

SLACK_NS = 1_000_000  # of what recorders stamp late
COLUMNS = ("root", "tie", "undetermined", "wrong tie", "wrong", "no episode")
PROCESSES = 2


class Gathered(NamedTuple):
    """An episode of a run, or a run without one.

    Attributes:
        vehicle: Its name.
        fault: Its name.
        seed: Of the run.
        number: Of the episode, 0 without one.
        start_ns: When the fault began.
        begin_ns: Of the episode.
        told_ns: Between which moments it is told to have begun.
        evidence: All of it.
    """

    vehicle: str
    fault: str
    seed: int
    number: int
    start_ns: int
    begin_ns: int
    told_ns: tuple[int, int]
    evidence: tuple[Evidence, ...]


def gathered(job: tuple[str, str, int]) -> list[Gathered]:
    """Run a fault and gather the evidence of each of its episodes."""
    vehicle, name, seed = job
    with tempfile.TemporaryDirectory() as folder:
        found = run_fault(name, seed, Path(folder), vehicle)
    rows = []
    for one in found:
        if one.diagnosis is None:
            rows.append(Gathered(*job, 0, one.start_ns, 0, (0, 0), ()))
            continue
        told = one.diagnosis
        place = told.span.number, one.start_ns, told.span.begin_ns, told.begins_ns
        rows.append(Gathered(*job, *place, told.evidence))
    return rows


def as_line(row: Gathered) -> str:
    """Return a row as a line of JSON."""
    return json.dumps(row._replace(evidence=tuple(map(asdict, row.evidence)))._asdict())  # type: ignore[arg-type]


def of_line(line: str) -> Gathered:
    """Return the row of a line."""
    read: dict[str, Any] = json.loads(line)
    read["told_ns"] = tuple(read["told_ns"])
    read["evidence"] = tuple(_evidence(**one) for one in read["evidence"])
    return Gathered(**read)


def _evidence(*, atom: str, role: str, names: list[str], **rest: Any) -> Evidence:
    return Evidence(atom=Atom(atom), role=Role(role), names=tuple(names), **rest)


def outcome(row: Gathered, sources: Iterable[Atom] = ()) -> tuple[str, tuple[str, ...]]:
    """How a row fares, with some sources taken away."""
    if not row.number:
        return "no episode", ()
    left = [one for one in row.evidence if one.atom not in set(sources)]
    return rated(row.fault, judged(left, cause_table(), row.begin_ns))


def upper_bound(count: int, whole: int) -> float:
    """The upper 95 % bound of a share (Clopper and Pearson, one-sided)."""
    return 1.0 if count >= whole else float(beta.ppf(0.95, count + 1, whole - count))


def table(rows: list[Gathered]) -> None:
    """Print the confusion table."""
    print(f"{'fault':34}" + "".join(f"{name:>13}" for name in COLUMNS) + "  named wrongly or left open")
    whole: Counter[str] = Counter()
    for name, own in by(rows, lambda row: f"{row.vehicle}: {row.fault}").items():
        told = [outcome(row) for row in own]
        counts = Counter(how for how, _ in told)
        whole += counts
        odd = Counter(
            f"{how.upper() if how.startswith('wrong') else 'left'}: {' / '.join(named)}"
            for how, named in told
            if how in {"wrong", "wrong tie", "undetermined"}
        )
        said = "; ".join(f"{named} ({count})" for named, count in odd.most_common(3))
        print(f"{name:34}" + "".join(f"{counts[column] or '-':>13}" for column in COLUMNS) + f"  {said}")
    total = whole.total()
    print(f"{'all':34}" + "".join(f"{whole[column]:>13}" for column in COLUMNS))
    right = whole["root"] + whole["tie"]
    print(
        f"root or tie {100 * right / total:.1f} %; confidently wrong {100 * whole['wrong'] / total:.2f} %,"
        f" upper 95 % bound {100 * upper_bound(whole['wrong'], total):.2f} %"
    )


def by(rows: Iterable[Gathered], key: Callable[[Gathered], str]) -> dict[str, list[Gathered]]:
    """Return the rows by something, in their order."""
    found: dict[str, list[Gathered]] = defaultdict(list)
    for row in rows:
        found[key(row)].append(row)
    return found


def begins(rows: list[Gathered]) -> None:
    """Print how often the fault began between the moments that are told, and which faults do not."""
    firsts = [row for row in rows if row.number == 1 and ALL[row.fault].at and not ALL[row.fault].latent]
    outside = [row for row in firsts if not row.told_ns[0] <= row.start_ns <= row.told_ns[1] + SLACK_NS]
    print(f"it began between the moments told: {len(firsts) - len(outside)} of {len(firsts)}")
    for name, own in by(outside, lambda row: f"{row.vehicle}: {row.fault}").items():
        off = [(row.start_ns - limit) / 1e6 for row in own for limit in row.told_ns]
        print(f"  not: {name} ({len(own)}), ms: " + ", ".join(f"{one:.1f}" for one in off[:6]))


def ablation(rows: list[Gathered]) -> None:
    """Print how the same evidence fares with each source taken away."""
    shown = [row for row in rows if row.number]
    for atom in Atom:
        told = [(row, *outcome(row, {atom})) for row in shown]
        counts = Counter(how for _, how, _ in told)
        wrongly = Counter(f"{row.fault}: {' / '.join(named)}" for row, how, named in told if how == "wrong")
        share = " ".join(f"{how} {100 * counts[how] / max(len(told), 1):.1f} %" for how in COLUMNS[:-1])
        said = "; ".join(f"{text} ({count})" for text, count in wrongly.most_common(4))
        print(f"without {atom.value:12} {share}  {said}")


def evidence_of(jobs: list[tuple[str, str, int]], keep: str | None) -> list[Gathered]:
    """Run all jobs, and keep what was gathered if wanted."""
    begun = time.perf_counter()
    with ProcessPoolExecutor(PROCESSES) as pool:
        rows = [row for rows in pool.map(gathered, jobs, chunksize=4) for row in rows]
    if keep:
        Path(keep).write_text("".join(as_line(row) + "\n" for row in rows), encoding="utf-8")
    taken = time.perf_counter() - begun
    print(f"{len(jobs)} runs in {taken:.0f} s, {taken / max(len(jobs), 1):.2f} s each")
    return rows


AN_HOUR = 6  # drives of ten minutes


def clean_drive(job: tuple[str, int]) -> list[str]:
    """Drive ten minutes without a fault and return what is taken for an episode."""
    vehicle, seed = job
    of = VEHICLES[vehicle]
    with tempfile.TemporaryDirectory() as folder:
        scenario = scenario_of(
            Path(folder), DRIVES[vehicle].format(spec=of.spec, seconds=3600 // AN_HOUR), None, seed
        )
        found = diagnosed_of(recorded(scenario.setup), of.spec)
    return [
        f"{vehicle} {seed}: {one.span.kinds} at {one.case.result.seconds(one.span.begin_ns):.3f} s"
        for one in found
    ]


def clean(hours: int) -> None:
    """Drive without a fault and print every episode."""
    jobs = [(vehicle, seed) for vehicle in VEHICLES for seed in range(hours * AN_HOUR // len(VEHICLES))]
    with ProcessPoolExecutor(PROCESSES) as pool:
        found = [line for lines in pool.map(clean_drive, jobs) for line in lines]
    print("\n".join(found) or "no episode", f"in {len(jobs) / AN_HOUR:g} hours without a fault")


def main() -> None:
    """Run the faults with that many seeds each, or score again."""
    parser = argparse.ArgumentParser()
    parser.add_argument("words", nargs="*")
    parser.add_argument("--vehicle", choices=list(VEHICLES))
    parser.add_argument("--keep")
    parser.add_argument("--again")
    parser.add_argument("--clean", type=int)
    given = parser.parse_args()
    if given.clean:
        clean(given.clean)
        return
    numbers = [int(word) for word in given.words if word.isdigit()]
    names = [word for word in given.words if not word.isdigit()]
    seeds, first = numbers + [3, 0][len(numbers) :]
    vehicles = [given.vehicle] if given.vehicle else list(VEHICLES)
    if given.again:
        lines = Path(given.again).read_text(encoding="utf-8").splitlines()
        rows = [
            row
            for row in map(of_line, lines)
            if row.vehicle in vehicles and (not names or row.fault in names)
        ]
    else:
        chosen = list(UNSEEN) if names == ["unseen"] else names or list(FAULTS)
        jobs = [
            (vehicle, name, seed)
            for vehicle in vehicles
            for name in chosen
            if possible(name, vehicle)
            for seed in range(first, first + seeds)
        ]
        rows = evidence_of(jobs, given.keep)
    table(rows)
    begins(rows)
    ablation(rows)


if __name__ == "__main__":
    os.nice(10)
    main()
