"""Benchmark: the loop that one writes to get a bag: python-can, cantools, and mcap's writer for ROS 2.

python -m tests.bench.bag_loop CAPTURE INTO DESCRIPTION...    # prints how many messages it wrote

Every frame that stamps a record becomes a message of its signals, as numbers, without validity and age: less
than canmap writes. As in `plain_loop.py`, what can be looked up once is looked up before the loop, and
asammdf is kept out.
"""

from __future__ import annotations

import sys

import cantools
from mcap.writer import CompressionType
from mcap_ros2.writer import Writer

sys.modules["asammdf"] = None  # type: ignore[assignment]
import can  # noqa: E402

STAMPING = ("SteerFeedback", "DriveFeedback", "WheelSpeeds")  # of sparse.yaml
HEADER = "builtin_interfaces/Time stamp\nstring frame_id"
TIME = "int32 sec\nuint32 nanosec"
RULE = "=" * 80


def export(capture: str, into: str, descriptions: list[str]) -> int:
    """Write the messages of a capture and return how many there are."""
    database = cantools.database.Database()
    for path in descriptions:
        database.add_dbc_file(path)
    written = 0
    with open(into, "wb") as file, can.LogReader(capture) as reader:  # noqa: PTH123
        writer = Writer(file, compression=CompressionType.LZ4)
        stamping = {}
        for name in STAMPING:
            message = database.get_message_by_name(name)
            fields = "".join(f"float64 {signal.name.lower()}\n" for signal in message.signals)
            parts = ("std_msgs/Header", HEADER), ("builtin_interfaces/Time", TIME)
            text = f"std_msgs/Header header\n{fields}" + "".join(
                f"\n{RULE}\nMSG: {kind}\n{body}" for kind, body in parts
            )
            schema = writer.register_msgdef(f"bench_msgs/msg/{name}", text)
            names = {signal.name: signal.name.lower() for signal in message.signals}
            stamping[message.frame_id] = (f"/{name.lower()}", schema, message.decode, names)
        for frame in reader:
            known = stamping.get(frame.arbitration_id)
            if known is None:
                continue
            topic, schema, decode, names = known
            stamp_ns = round(frame.timestamp * 1e9)
            sec, nanosec = divmod(stamp_ns, 1_000_000_000)
            message = {names[name]: value for name, value in decode(frame.data, decode_choices=False).items()}
            message["header"] = {"stamp": {"sec": sec, "nanosec": nanosec}, "frame_id": "base_link"}
            writer.write_message(topic, schema, message, log_time=stamp_ns)
            written += 1
        writer.finish()
    return written


if __name__ == "__main__":
    print(export(sys.argv[1], sys.argv[2], sys.argv[3:]))
