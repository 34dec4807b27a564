"""Records, the stop chain and findings into a bag: the sink of an export that ends in .mcap."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.extras import mcap
from canmap.outputs.bags.bagchannels import BagOrigin
from canmap.outputs.bags.bagwriter import BagWriter
from canmap.topics.conversion import Conversion
from canmap.topics.definitions import schema_text
from canmap.topics.standard_types import standard_types
from canmap.topics.topic_table import topic_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.results.inspection import Inspection
    from canmap.stream.sink import About, Step
    from canmap.topics.definitions import MessageType
    from canmap.topics.topic_messages import TopicMessages


class BagSink:
    """Writes the messages of all topics whose records are written.

    Args:
        path: The bag.
        captures: What is read.
        namespace: What relative names of topics are put below.
        overwrite: Whether the part that an earlier run left behind may be replaced.

    Attributes:
        rows: Messages of each topic, by name.

    Raises:
        UsageError: mcap is not installed.
    """

    def __init__(
        self, path: str, captures: Sequence[str], *, namespace: str = "", overwrite: bool = False
    ) -> None:
        mcap()
        self.rows: dict[str, int] = {}
        self._path, self._captures = path, tuple(captures)
        self._namespace, self._overwrite = namespace, overwrite
        self._writer: BagWriter | None = None

    def open(self, about: About) -> None:
        """Begin the file."""
        written = set(about.records)
        topics = [topic for topic in topic_table(about.spec) if written.issuperset(topic.records)]
        self.rows = {topic.name: 0 for topic in topics}
        self._conversion = Conversion(topics, about)
        self._writer = BagWriter(
            self._path,
            topics,
            _schema_of,
            BagOrigin(about.spec.path, about.spec.vehicle, self._captures),
            namespace=self._namespace,
            overwrite=self._overwrite,
        )

    def write(self, step: Step) -> None:
        """Write the messages of a step."""
        self._write(list(self._conversion.of(step)))

    def close(self, *, whole: bool) -> None:
        """Give the file its name where the run came to its end; else what there is of it stays as a part."""
        if self._writer is None:  # it could not be begun
            return
        try:
            if whole:
                self._write(self._conversion.rest())
        except BaseException:
            whole = False
            raise
        finally:
            self._writer.close(whole=whole)

    def conclude(self, result: Inspection) -> None:
        """Add nothing: findings are messages of their moment."""

    def _write(self, groups: Sequence[TopicMessages]) -> None:
        for group in groups:
            self.rows[group.topic.name] += len(group)
        if self._writer is not None:
            self._writer.write(groups)


def _schema_of(kind: MessageType) -> str:
    return schema_text(kind, standard_types())
