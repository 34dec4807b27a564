"""How tests get to a real ROS 2: the environment that CANMAP_ROS2 names, a listener and a sender."""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import json
import os
import signal
import subprocess
import sys
import sysconfig
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from tests.e2e.shell import ROOT, environment

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from types import TracebackType

FOLDER = Path(__file__).parent
LONGEST_S = 60.0
# The middleware keeps to the loopback. A domain is one of 0 to 101, whose ports nobody else uses on Linux.
MOST_DOMAIN = 101


@dataclass(frozen=True, slots=True)
class Ros2:
    """An environment with a ROS 2, and a domain in it.

    Attributes:
        python: Its Python.
        domain: The domain that listeners and senders share.
        folder: For what they write.
    """

    python: Path
    domain: int
    folder: Path

    def variables(self, **changes: str) -> dict[str, str]:
        """What a process in it gets to see."""
        own = {
            "ROS_DOMAIN_ID": str(self.domain),
            "FASTDDS_DEFAULT_PROFILES_FILE": str(FOLDER / "loopback.xml"),
            "ROS_HOME": str(self.folder / "ros_home"),  # where logs would go
        }
        return environment(**(own | changes))

    def command(self, *arguments: object) -> list[str]:
        """The command line of canmap in it, whose messages `sender.py` makes."""
        packages = sysconfig.get_paths()["purelib"]
        sender = [self.python, FOLDER / "sender.py", packages, self.folder / "sent.json"]
        return [*map(str, sender), *map(str, arguments)]

    def run(self, *arguments: object, **changes: str) -> subprocess.CompletedProcess[str]:
        """Run canmap with some arguments to its end."""
        done = subprocess.run(
            self.command(*arguments), cwd=ROOT, env=self.variables(**changes), stdin=subprocess.DEVNULL,
            capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done

    def sent(self) -> dict[str, list[tuple[str, int]]]:
        """What the last command sent, by topic: hex, time of day in ns."""
        by_topic: dict[str, list[tuple[str, int]]] = {}
        for name, data, at_ns in json.loads((self.folder / "sent.json").read_text()):
            by_topic.setdefault(name, []).append((data, at_ns))
        return by_topic

    def listening(
        self, *topics: Mapping[str, Any], domain: int | None = None, until_alone: bool = False
    ) -> Listening:
        """Return a listener to some topics, a context; see `listener.py`."""
        return Listening(self, topics, self.domain if domain is None else domain, until_alone)


class Listening:
    """A listener in a process of its own.

    Attributes:
        result: What it got and saw, once the context has ended.
    """

    def __init__(
        self, ros2: Ros2, topics: Sequence[Mapping[str, Any]], domain: int, until_alone: bool
    ) -> None:
        self._file = ros2.folder / f"got{id(self)}.json"
        self._process = subprocess.Popen(
            [
                str(ros2.python), str(FOLDER / "listener.py"), str(self._file), json.dumps(topics),
                *(["alone"] if until_alone else []),
            ],
            env=ros2.variables() | {"ROS_DOMAIN_ID": str(domain)},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.result: dict[str, Any] = {}

    def __enter__(self) -> Self:
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"
        return self

    def hang(self) -> None:
        """Let it do nothing any more until the context ends."""
        self._process.send_signal(signal.SIGSTOP)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.send_signal(signal.SIGCONT)
        try:
            self._process.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            raise
        if error is None:
            assert self._process.returncode == 0
            self.result = json.loads(self._file.read_text())

    def got(self, topic: str) -> list[str]:
        """The messages of a topic as hex, in the order in which they came."""
        return [data for data, _, _ in self.result["got"][topic]]


@contextlib.contextmanager
def free_domain() -> Iterator[int]:
    """Give a domain that nobody else on this machine has from here, of whatever checkout or process."""
    for domain in itertools.islice(itertools.cycle(range(MOST_DOMAIN + 1)), os.getpid() % MOST_DOMAIN, None):
        with (Path(tempfile.gettempdir()) / f"canmap-ros2-domain-{domain}").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            yield domain
            return


def python_of_ros2() -> Path | None:
    """Return the Python of the environment that CANMAP_ROS2 names, None where that is not set.

    Raises:
        RuntimeError: It is of another version than this one, whose packages it has to use.
        FileNotFoundError: There is none.
    """
    place = os.environ.get("CANMAP_ROS2")
    if not place:
        return None
    python = Path(place) / "bin" / "python"
    if not python.exists():
        raise FileNotFoundError(f"CANMAP_ROS2 names {place}, which has no bin/python")
    print_version = "import sys; print(*sys.version_info[:2])"
    said = subprocess.run([python, "-c", print_version], capture_output=True, text=True, check=True).stdout
    if said.split() != [str(part) for part in sys.version_info[:2]]:
        raise RuntimeError(f"the ROS 2 at {place} is for Python {said.strip()}")
    return python
