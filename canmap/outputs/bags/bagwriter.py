"""Messages of topics to an MCAP file, fast, that can be read up to its last chunk whenever it was cut off.

What is written follows the messages and not the steps they came in: their order is that of the frames and,
of one frame, of the topics; chunks end after messages.
"""

from __future__ import annotations

import contextlib
from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap import __version__
from canmap.base.errors import ArgumentError, CanmapError, OutputError
from canmap.base.extras import mcap
from canmap.base.threads import Pool
from canmap.outputs.bags.bagchannels import METADATA_NAME, schemas_and_channels
from canmap.outputs.bags.bagsummary import MAGIC, BagSummary
from canmap.outputs.bags.chunkcuts import ChunkCuts
from canmap.outputs.bags.clockorder import ClockOrder
from canmap.outputs.bags.messagerecords import lay_out
from canmap.outputs.bags.partfile import PartFile
from canmap.outputs.bags.sealing import Compression, SealedChunk, seal_chunk, written
from canmap.outputs.files import signals_held

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from concurrent.futures import Future

    from canmap.outputs.bags.bagchannels import BagOrigin
    from canmap.outputs.bags.messagerecords import MessageRecords
    from canmap.topics.definitions import MessageType
    from canmap.topics.topic import Topic
    from canmap.topics.topic_messages import TopicMessages

PROFILE = "ros2"
FULL_BYTES = 1 << 20
MOST_MESSAGES = 10_000
_MOST_WAITING = 8  # chunks that are being compressed
_THREADS = 2


class BagWriter:
    """Writes `FILE.part`, which becomes `FILE` when it is closed as whole.

    Every chunk that is complete is in the file as soon as it is compressed, so that a process that is killed
    leaves a `.part` with all of them; `finish_bag` makes a whole file of that.

    Args:
        path: The file; a device or a pipe is written to directly.
        topics: The topics, whose order is that of messages of one moment and frame.
        schema_of: Gives the text of a message type with all types in it, as schema encoding `ros2msg` has it.
        origin: What the messages are of.
        namespace: What topics with a relative name are put in.
        compression: Of the chunks.
        full_bytes: Bytes of records with which a chunk is full, before compression.
        most_messages: Messages with which it is full.
        overwrite: Whether a `.part` that an earlier run left may be replaced; whether `path` may be is asked
            of `guard_output`, by the caller.

    Attributes:
        part: Path of the `.part` that stayed behind after `close(whole=False)`, or None.

    Raises:
        OutputError: The file cannot be written.
        UsageError: mcap is not installed, or `namespace` is not a namespace or gives two topics one name.
    """

    def __init__(  # noqa: PLR0913
        self,
        path: str,
        topics: Sequence[Topic],
        schema_of: Callable[[MessageType], str],
        origin: BagOrigin,
        *,
        namespace: str = "",
        compression: Compression = Compression.LZ4,
        full_bytes: int = FULL_BYTES,
        most_messages: int = MOST_MESSAGES,
        overwrite: bool = False,
    ) -> None:
        self.part: str | None = None
        self._path = path
        self._channel_of = {topic.name: number for number, topic in enumerate(topics, 1)}
        self._compression = compression
        self._order = ClockOrder()
        self._cuts = ChunkCuts(most_messages, full_bytes)
        self._summary = BagSummary()
        self._waiting: deque[Future[SealedChunk]] = deque()
        beginning = self._beginning(*schemas_and_channels(topics, schema_of, namespace), origin)
        self._pool = Pool(max_workers=_THREADS)
        self._file = PartFile(path, overwrite=overwrite)
        try:
            with self._in_one():
                self._file.begin()
                self._file.write([beginning])
        except BaseException:
            self._file.leave(keep=False)
            raise

    @property
    def messages(self) -> int:
        """Messages of the chunks that are in the file."""
        return self._summary.messages

    def write(self, groups: Sequence[TopicMessages]) -> None:
        """Write messages of topics, none of them older by the session clock than what was written before.

        Raises:
            ArgumentError: One is, or its topic is none of the bag's.
            OutputError: The file cannot be written, or a message is stamped before 1970.
        """
        for group in groups:
            self._check(group)
        with self._in_one():
            self._lay_out(self._order.take(groups))

    def close(self, *, whole: bool, keep: bool = True) -> None:
        """End the file; nothing more is written.

        Args:
            whole: Whether everything was written, so that the file takes its name.
            keep: Whether what there is of one that is not whole stays, as `FILE.part`.

        Raises:
            OutputError: The file cannot be made whole; the `.part` stays as `keep` says.
        """
        with self._in_one():
            try:
                if whole:
                    self._write_rest()
                    self._file.write([self._summary.end(self._file.size)])
                    self._file.place()
                elif keep and self._file.beside:
                    with contextlib.suppress(CanmapError):  # what failed before has been said
                        self._write_rest()
            except BaseException:
                whole = False
                raise
            finally:
                self._pool.shutdown(cancel_futures=True)
                if not whole:
                    self._file.leave(keep=keep and bool(self._summary.chunks))
                    self.part = self._file.left

    def _beginning(self, schemas: list[Any], channels: list[Any], origin: BagOrigin) -> bytes:
        """Return what stands before the first chunk, and note it for the summary."""
        self._summary.schemas = {schema.id: schema for schema in schemas}
        self._summary.channels = {channel.id: channel for channel in channels}
        header = mcap().records.Header(profile=PROFILE, library=f"canmap {__version__}")
        begin = MAGIC + written(header, *schemas, *channels)
        metadata = written(origin.record())
        self._summary.note_metadata(METADATA_NAME, len(begin), len(metadata))
        return begin + metadata

    def _check(self, group: TopicMessages) -> None:
        name = group.topic.name
        if name not in self._channel_of:
            raise ArgumentError("groups", f"topic {name} is none of the bag's; name it when the bag begins.")
        if len(group) and (early := np.flatnonzero(group.stamp_ns < 0)).size:
            frame, stamp_ns = int(group.frame[early[0]]), int(group.stamp_ns[early[0]])
            raise OutputError(
                f"{self._path} cannot be written: frame {frame} is stamped {stamp_ns} ns, before 1970, for "
                "which MCAP has no time; leave that part of the capture out."
            )

    @contextlib.contextmanager
    def _in_one(self) -> Iterator[None]:
        """Let no signal come in between, so that what is noted is what was written; a pipe may block."""
        with signals_held() if self._file.beside else contextlib.nullcontext():
            yield

    def _lay_out(self, ordered: Iterable[list[TopicMessages]]) -> None:
        for groups in ordered:
            records = lay_out([(self._channel_of[group.topic.name], group) for group in groups])
            self._seal(self._cuts.take(records))
        self._put(_MOST_WAITING)

    def _write_rest(self) -> None:
        self._lay_out(self._order.rest())
        self._seal(self._cuts.rest())
        self._put(0)

    def _seal(self, chunks: Iterable[MessageRecords]) -> None:
        """Have chunks compressed, in other threads."""
        for chunk in chunks:
            self._waiting.append(self._pool.submit(seal_chunk, chunk, self._compression))
            self._put(_MOST_WAITING)

    def _put(self, most: int) -> None:
        """Write the chunks that are compressed, in their order; wait until no more than `most` are not."""
        while self._waiting and (len(self._waiting) > most or self._waiting[0].done()):
            chunk = self._waiting[0].result()
            offset = self._file.size
            self._file.write([chunk.record, chunk.contents.index])
            self._summary.note_chunk(chunk, offset)
            self._waiting.popleft()
