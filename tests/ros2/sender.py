"""The command line in the Python of a ROS 2, with every message noted that goes out.

python sender.py PACKAGES FILE ARGUMENT...

PACKAGES is a folder of packages that canmap needs and a ROS 2 does not have. FILE is where it writes, when
the command has ended, the messages that it sent, in order: topic, bytes as hex, and time of day in ns.
"""

from __future__ import annotations

import atexit
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.append(sys.argv.pop(1))

from canmap.cli.main import main
from canmap.outputs.node.rosnode import RosNode

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.topics.topic import Topic


def watch(path: str) -> None:
    """Note what goes through the door to ROS 2."""
    sent: list[tuple[str, str, int]] = []
    door = RosNode.publisher

    def watched_door(node: RosNode, topic: Topic) -> Callable[[bytes], None] | None:
        send = door(node, topic)
        if send is None:
            return None

        def noted(data: bytes) -> None:
            sent.append((topic.name, data.hex(), time.time_ns()))
            send(data)

        return noted

    RosNode.publisher = watched_door  # type: ignore[method-assign]
    atexit.register(lambda: Path(path).write_text(json.dumps(sent)))


watch(sys.argv.pop(1))
main()
