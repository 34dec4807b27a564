"""Outputs: chunks of frames to canmap's own Parquet, exactly, in the columns of `frames.capture_formats`.

The finished file gets the seal of `canmap.frames.seal`, without which it is not read again.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

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

    from canmap.frames.chunks import FrameChunk


def write_table(path: str, chunks: Iterable[FrameChunk]) -> None:
    """Write frames as a Parquet file; memory holds a few row groups, whatever their number.

    Raises:
        OSError: The file cannot be written.
        UsageError: polars is not installed.
    """
    library = polars()
    from polars.io.plugins import register_io_source  # noqa: PLC0415

    failed: list[BaseException] = []  # what went wrong in the frames, as polars makes it something else

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
        with Path(path).open("wb") as file:
            source.sink_parquet(
                file,
                compression="lz4",
                row_group_size=TABLE_ROWS,
                metadata={TABLE_VERSION_KEY: TABLE_VERSION},
            )
    except BaseException as error:
        if failed and not isinstance(failed[0], GeneratorExit):
            raise failed[0] from None
        if isinstance(error, library.exceptions.PolarsError):
            raise OSError(_why(str(error))) from error
        raise
    seal(path)


def _why(said: str) -> str:
    """Return what the system said, out of the words of polars, which add a number and a plan."""
    first = said.partition("\n")[0]
    return first.partition(" (os error")[0]


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
