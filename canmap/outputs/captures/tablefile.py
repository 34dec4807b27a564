"""Outputs: chunks of frames to canmap's own Parquet, exactly, in the columns of `frames.capture_formats`.

The finished file gets the seal of `canmap.frames.seal`, without which it is not read again.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.errors import library_reason
from canmap.base.extras import polars
from canmap.frames.capture_formats import (
    TABLE_NUMBERS,
    TABLE_ROWS,
    TABLE_VERSION,
    TABLE_VERSION_KEY,
    TABLE_WORDS,
)
from canmap.frames.chunks import FD_WIDTH, join, widen
from canmap.frames.seal import seal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from _typeshed import ReadableBuffer

    from canmap.frames.chunks import FrameChunk


def write_table(path: str, chunks: Iterable[FrameChunk]) -> None:
    """Write frames as a Parquet file; memory holds a few row groups, whatever their number.

    Raises:
        OSError: The file cannot be written.
        UsageError: polars is not installed.
    """
    library = polars()
    from polars.io.plugins import register_io_source  # noqa: PLC0415

    failed: list[
        BaseException
    ] = []  # what went wrong in the frames or the file: polars hands on its words only

    def groups(*_wanted: Any) -> Iterator[Any]:
        try:
            for group in _grouped(chunks):
                yield _frame(library, group)
        except BaseException as error:
            failed.append(error)
            raise

    source = register_io_source(groups, schema=_frame(library, join([])).schema)
    try:
        # Not the path: polars would make the file anew when it has been taken away, after a failure.
        with _File(path, failed) as file:
            source.sink_parquet(
                file,
                compression="lz4",
                row_group_size=TABLE_ROWS,
                metadata={TABLE_VERSION_KEY: TABLE_VERSION},
            )
    except BaseException as error:
        if cause := next((one for one in failed if not isinstance(one, GeneratorExit)), None):
            raise cause from None
        if isinstance(error, library.exceptions.PolarsError):
            raise OSError(library_reason(error)) from error
        raise
    seal(path)


class _File(io.FileIO):
    """A file for writing that notes why it could not be written to."""

    def __init__(self, path: str, failed: list[BaseException]) -> None:
        super().__init__(path, "w")
        self._failed = failed

    def write(self, data: ReadableBuffer) -> int:
        """Write some or all of the bytes."""
        try:
            return super().write(data)
        except OSError as error:
            self._failed.append(error)
            raise


def _grouped(chunks: Iterable[FrameChunk]) -> Iterator[FrameChunk]:
    """Yield the chunks joined to about a row group each."""
    waiting: list[FrameChunk] = []
    for chunk in chunks:
        waiting.append(chunk)
        if sum(map(len, waiting)) >= TABLE_ROWS:
            yield join(waiting)
            waiting = []
    yield join(waiting)


def _frame(library: Any, chunk: FrameChunk) -> Any:
    words = np.ascontiguousarray(widen(chunk.payload, FD_WIDTH)).view("<u8")
    columns = {name: np.asarray(getattr(chunk, name)) for name in TABLE_NUMBERS}
    names = library.Series(chunk.channels, dtype=library.String)
    channel = names.gather(chunk.channel) if len(chunk) else library.Series([], dtype=library.String)
    return library.DataFrame(
        {
            **columns,
            "channel": channel.cast(library.Categorical),
            **{word: np.ascontiguousarray(words[:, i]) for i, word in enumerate(TABLE_WORDS)},
        }
    )
