"""Benchmark: messages of topics to an MCAP file, beside mcap's own writer, which takes them one by one.

python -m tests.bench.bags --messages 1000000

The messages are on 8 topics and 100 to 700 bytes long, smooth numbers for the most, in steps of 60,000. Each
is run several times; the best and the median are shown, by the clock and in seconds of processor, all threads
together. Making a whole file again of one that was cut off is measured too.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from mcap.writer import CompressionType, Writer

from canmap.base.memory import keep_freed_memory
from canmap.outputs.bags.bagfinish import finish_bag
from canmap.outputs.bags.sealing import Compression
from tests.baggroups import many, rows_of, steps_of, write_bag

if TYPE_CHECKING:
    from collections.abc import Callable

STEP = 60_000
OF_THE_LIBRARY = {
    Compression.LZ4: CompressionType.LZ4,
    Compression.ZSTD: CompressionType.ZSTD,
    Compression.NONE: CompressionType.NONE,
}


def measured(task: Callable[[], object], runs: int) -> str:
    """Return the time of a task in words."""
    wall, processor = [], []
    for _ in range(runs):
        began_s, began_processor_s = time.perf_counter(), time.process_time()
        task()
        wall.append(time.perf_counter() - began_s)
        processor.append(time.process_time() - began_processor_s)
    return f"{min(wall):6.2f} s best, {median(wall):6.2f} s median, {min(processor):6.2f} s of processor"


def by_the_library(path: Path, rows: list[tuple[int, int, bytes]], compression: Compression) -> None:
    """Write messages with mcap's own writer."""
    writer = Writer(str(path), compression=OF_THE_LIBRARY[compression])
    writer.start("ros2")
    schema = writer.register_schema("std_msgs/msg/String", "ros2msg", b"string data")
    for number in range(8):
        writer.register_channel(f"/t{number}", "cdr", schema)
    for channel, stamp_ns, data in rows:
        writer.add_message(channel, stamp_ns, data, stamp_ns)
    writer.finish()


def main() -> None:
    """Measure both."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    keep_freed_memory()
    groups = many(options.messages)
    topics = [group.topic for group in groups]
    steps = steps_of(groups, range(0, options.messages, STEP))
    rows = [(int(name[2:]) + 1, stamp_ns, data) for name, stamp_ns, data in rows_of(groups, topics)]
    size = sum(len(group.payloads.data) for group in groups)
    print(f"{options.messages:,} messages, {size / 1e6:.0f} MB")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "a.mcap"
        for one in Compression:
            ours = measured(lambda one=one: write_bag(place, topics, steps, compression=one), options.runs)
            print(f"{one:5} canmap        {ours}, {place.stat().st_size / 1e6:.0f} MB")
            theirs = measured(lambda one=one: by_the_library(place, rows, one), 1)
            print(f"{one:5} mcap's writer {theirs}, {place.stat().st_size / 1e6:.0f} MB")
        write_bag(place, topics, steps)
        part = Path(folder) / "a.part"
        part.write_bytes(place.read_bytes()[:-100])
        again = measured(lambda: finish_bag(str(part), str(place), overwrite=True), options.runs)
        print(f"lz4   finished      {again}")
    print(f"memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB, all messages included")


if __name__ == "__main__":
    main()
