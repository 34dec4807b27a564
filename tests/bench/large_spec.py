"""Benchmark: a spec of many records, and the DBC that it maps.

python -m tests.bench.large_spec --folder DIR    # writes large.yaml, its DBCs and traffic.log
time canmap inspect DIR/traffic.log --spec DIR/large.yaml

800 records of 12 fields each map 800 messages of 12 signals of 5 bits, on two buses. Factors and limits
differ from signal to signal, as those of a real vehicle do.
"""

from __future__ import annotations

import argparse
from pathlib import Path

RECORDS, FIELDS = 800, 12
START_S, STEP_US = 1_700_000_000, 250
FACTORS = ("0.1", "0.25", "0.5", "0.02", "1", "0.4", "2", "0.05", "0.01", "0.125", "0.3", "0.7")
HALF = RECORDS // 2  # messages on each bus


def dbc(messages: range) -> str:
    """The text of the DBC that describes `messages`."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Kit", ""]
    for number in messages:
        lines.append(f"BO_ {0x100 + number} Unit{number:03d}: 8 Kit")
        for field in range(FIELDS):
            factor, offset = FACTORS[(field + number) % len(FACTORS)], -(number % 40)
            high = 31 * float(factor) + offset
            lines.append(
                f' SG_ S{field:02d} : {5 * field}|5@1+ ({factor},{offset}) [{offset}|{high:.10g}] "V" Kit'
            )
        lines.append("")
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 200;', ""]
    return "\n".join(lines)


def spec() -> str:
    """The text of the mapping spec."""
    lines = ["vehicle: Large vehicle", "buses:"]
    lines += [
        f"  {name}: {{description: {name}.dbc, channel: can{n}}}" for n, name in enumerate(("one", "two"))
    ]
    lines += ["record_types:", "  Wide:", "    fields:"]
    lines += [f"      value_{field:02d}: {{unit: V}}" for field in range(FIELDS)]
    lines.append("records:")
    for number in range(RECORDS):
        lines += [f"  unit_{number:03d}:", "    type: Wide", f"    stamp: Unit{number:03d}"]
        for field in range(FIELDS):
            signal = f"Unit{number:03d}.S{field:02d}"
            wide = f"{{signal: {signal}, range: [-40 V, {20 + number % 50} V]}}"
            lines.append(f"    value_{field:02d}: {wide if field % 2 else signal}")
    return "\n".join((*lines, ""))


def log(frames: int) -> str:
    """The text of a SocketCAN log in which every message comes in turn."""
    lines = []
    for number in range(frames):
        micros = number * STEP_US
        message = number % RECORDS
        payload = number * 0x9E37_79B9_7F4A_7C15 & 0xFFFF_FFFF_FFFF_FFFF
        stamp = f"{START_S + micros // 1_000_000}.{micros % 1_000_000:06d}"
        lines.append(f"({stamp}) can{message // HALF} {0x100 + message:03X}#{payload:016X}\n")
    return "".join(lines)


def main() -> None:
    """Write the spec, its descriptions and a capture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--frames", type=int, default=1_000_000)
    options = parser.parse_args()
    for name, messages in (("one", range(HALF)), ("two", range(HALF, RECORDS))):
        (options.folder / f"{name}.dbc").write_text(dbc(messages), encoding="utf-8")
    (options.folder / "large.yaml").write_text(spec(), encoding="utf-8")
    (options.folder / "traffic.log").write_text(log(options.frames), encoding="utf-8")


if __name__ == "__main__":
    main()
