"""Simulator: what was wrong in a run, and what was done, to the YAML file that stands beside its capture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

from canmap.base.errors import printable
from canmap.frames.capture_formats import holds_errors
from canmap.simulator.cart.chronicle import Recorded, chain_of
from canmap.simulator.recorders import EPOCH_NS

if TYPE_CHECKING:
    from canmap.simulator.cart.chronicle import Chronicle
    from canmap.simulator.cart.world import Setup
    from canmap.simulator.scenario.scenario import Scenario
    from canmap.simulator.scenario.script import Line

TIMES = " Times are true seconds from its first frame; null means to the end.\n"


def truth(scenario: Scenario, capture: str, first_stamp_ns: int, frames: int) -> dict[str, Any]:
    """Return the truth of a run.

    Args:
        scenario: What was run: its chronicle is that of its last run.
        capture: Name of the capture.
        first_stamp_ns: Stamp of its first frame.
        frames: How many it has.

    Returns:
        `scenario`, `seed`, `duration_s`, `frames`; `faults`, each with `kind`, `cause`, `start_s`, `end_s`,
        `bus`, `node`, `message`, `signal` (null where there is not one), `parameters`, `tie_with`, and
        `chain`, what followed from it; `script`, what was done, each with its `chain` if an axis let go or a
        node fell for it; `computer`, if it watches what it hears.
    """
    first_ns, duration_ns = first_stamp_ns - EPOCH_NS, scenario.setup.duration_ns
    chronicle, how = scenario.setup.plan.chronicle, scenario.setup.plan.recording
    error_frames = how.error_frames and holds_errors(Path(capture).suffix.lower())
    recorded = Recorded(first_ns, error_frames, far=how.far is not None)
    return {
        "capture": capture,
        "scenario": scenario.name,
        "seed": scenario.seed,
        "duration_s": duration_ns / 1e9,
        "frames": frames,
        **({"computer": _watch(scenario.setup)} if scenario.setup.withdraws_ns else {}),
        **({"other_traffic": scenario.setup.others._asdict()} if scenario.setup.others else {}),
        "faults": [
            case.truth(number, chronicle, duration_ns, recorded)
            for number, case in enumerate(scenario.faults)
        ],
        "script": [_line(line, chronicle, first_ns) for line in scenario.lines],
    }


def _watch(setup: Setup) -> dict[str, Any]:
    how = "silence" if setup.by_silence else "enable"
    return {"withdraws_after_s": setup.withdraws_ns / 1e9, "by": how}


def _line(line: Line, chronicle: Chronicle, first_ns: int) -> dict[str, Any]:
    described = {"at_s": round((line.t_ns - first_ns) / 1e9, 6), line.who: line.what}
    stated = {name: node.text for name, (_, node) in line.values.nodes.items() if hasattr(node, "text")}
    described |= {name: text for name, text in stated.items() if name not in {"at", line.who}}
    order = chronicle.orders.get((line.t_ns, line.who, line.what))
    followed = [] if order is None else chain_of(chronicle, order, first_ns)
    return described | ({"chain": followed} if len(followed) > 1 else {})


def truth_head(capture: str) -> str:
    """Return what the truth of a capture of this name begins with."""
    return f"# Ground truth of {printable(capture)}, simulated."


def truth_text(described: dict[str, Any]) -> str:
    """Return the truth as YAML."""
    told = described | {"capture": printable(described["capture"])}
    body = "".join([_entry(name, value) for name, value in told.items()])
    return truth_head(described["capture"]) + TIMES + body


def _entry(name: str, value: object) -> str:
    """Return one key of the truth with its value; those that are lists hold faults, or lines of a script."""
    if not (isinstance(value, list) and value):
        return _yaml({name: value})
    return f"{name}:\n" + "".join(map(_with_chain, value))


def _with_chain(described: dict[str, Any]) -> str:
    """Return a fault or a line of a script, as one of a list; its chain comes last."""
    if not described.get("chain"):
        return _yaml([described])
    rest = {name: value for name, value in described.items() if name != "chain"}
    return f"{_yaml([rest])}  chain:\n{_links(described['chain'])}"


def _links(chain: list[dict[str, Any]]) -> str:
    """Return links as `_yaml` would: of the thousands of a bus that fails only the numbers differ."""
    known: dict[tuple[str, ...], str] = {}
    lines = []
    for link in chain:
        at_s, *words, after = link.values()
        kind = tuple(words)
        if kind not in known:
            nested = _yaml([{"chain": [link]}]).splitlines(keepends=True)
            known[kind] = "".join(nested[2:-1])
        lines.append(f"  - at_s: {_number(at_s)}\n{known[kind]}    after: {_number(after)}\n")
    return "".join(lines)


def _number(value: float | None) -> str:
    """Return a number, or null, in YAML 1.1, where one without a point has no exponent."""
    text = "null" if value is None else repr(value)
    return text.replace("e", ".0e", 1) if "e" in text and "." not in text else text


def _yaml(described: object) -> str:
    text: str = yaml.dump(
        described,
        Dumper=getattr(yaml, "CSafeDumper", yaml.SafeDumper),  # ten times as fast, where it is built in
        sort_keys=False,
        allow_unicode=True,
        width=110,
    )
    return text
