"""Frames, our own Parquet: every column of a chunk, exactly, and the fastest format to read again.

In: a Parquet file. Out: chunks. The columns are those of `FrameChunk`: `t_ns` int64, `channel` its name
(categories), `can_id` uint32, `extended` bool, `kind`, `flags` and `length` uint8, `line` int64; the payload
as eight words uint64 of eight bytes each, little endian, `bytes_0_7` to `bytes_56_63`, zero beyond the
length. The file's key `canmap.frames` holds the version. Bad lines are not kept.

The checksum of `canmap.frames.seal` is looked at first: polars ends the whole program on some damaged files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.errors import CaptureError, library_reason
from canmap.base.extras import polars as polars_library
from canmap.frames.binary.gather import sifted
from canmap.frames.binary.wholefile import whole_file
from canmap.frames.capture_formats import (
    TABLE_NUMBERS as NUMBERS,
)
from canmap.frames.capture_formats import (
    TABLE_ROWS as ROWS,
)
from canmap.frames.capture_formats import (
    TABLE_VERSION as VERSION,
)
from canmap.frames.capture_formats import (
    TABLE_VERSION_KEY as VERSION_KEY,
)
from canmap.frames.capture_formats import (
    TABLE_WORDS as WORDS,
)
from canmap.frames.chunks import CLASSIC_WIDTH, FrameChunk, FrameKind
from canmap.frames.seal import BrokenSealError, NoSealError, check_seal
from canmap.frames.source import MOST_CHANNELS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    import polars as pl
    from numpy.typing import NDArray


def read_table(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a Parquet file of frames.

    Raises:
        CaptureError: It is not one, or is damaged.
        UsageError: polars is not installed.
    """
    polars = polars_library()
    with whole_file(name, stream, ".parquet") as path:
        try:
            check_seal(path)
            if polars.read_parquet_metadata(path).get(VERSION_KEY) != VERSION:
                raise NoSealError
            frame = polars.scan_parquet(path)
            _check_columns(name, frame.collect_schema())
            first = 0
            while rows := len(chunk := _chunk(name, polars, frame, first)):
                yield sifted(chunk, name)
                first += rows
        except CaptureError:
            raise
        except NoSealError:
            raise CaptureError(
                f"{name}: this Parquet file holds no frames that canmap wrote (version {VERSION}); "
                "give a capture."
            ) from None
        except (
            BrokenSealError,
            polars.exceptions.PolarsError,
            polars.exceptions.PanicException,
            OSError,
            ValueError,
        ) as error:
            reason = library_reason(error)
            raise CaptureError(f"{name}: the Parquet file is damaged ({reason}); copy it again.") from None


def _check_columns(name: str, schema: pl.Schema) -> None:
    expected = {column: {_type(np.dtype(dtype).name)} for column, dtype in NUMBERS.items()}
    expected |= {"channel": {"categorical", "string"}, **{word: {"uint64"} for word in WORDS}}
    for column, types in expected.items():
        if column not in schema or _type(str(schema[column])) not in types:
            raise CaptureError(
                f"{name}: the Parquet file has no column {column} of {min(types)}; write it again."
            )


def _type(name: str) -> str:
    """Return the name of a type as both libraries know it."""
    return name.lower().replace("boolean", "bool")


def _check_values(name: str, part: pl.DataFrame) -> None:
    if any(part.null_count().row(0)):
        raise CaptureError(f"{name}: the Parquet file has frames with values missing; write it again.")


def _chunk(name: str, polars: Any, frame: pl.LazyFrame, first: int) -> FrameChunk:
    rows = frame.slice(first, ROWS)
    part = rows.select([*NUMBERS, "channel", WORDS[0]]).collect()
    _check_values(name, part)
    columns: dict[str, Any] = {
        column: np.ascontiguousarray(part[column].to_numpy(), dtype) for column, dtype in NUMBERS.items()
    }
    if len(part) and int(columns["length"].max()) > CLASSIC_WIDTH:
        words = rows.select(WORDS).collect()
        _check_values(name, words)
    else:
        words = part.select(WORDS[0])
    payload: NDArray[np.uint64] = np.empty((len(part), words.width), "<u8")
    for number, word in enumerate(words.columns):
        payload[:, number] = words[word].to_numpy()
    if len(part) and int(columns["kind"].max()) > max(FrameKind):
        raise CaptureError(f"{name}: the Parquet file has frames of an unknown kind; write it again.")
    names, numbers = _channels(name, polars, part["channel"])
    return FrameChunk(
        channels=names,
        channel=numbers,
        payload=payload.view(np.uint8).reshape(len(part), 8 * words.width),
        **columns,
    )


def _channels(name: str, polars: Any, column: pl.Series) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
    """Return the channel names in a column, and the number of each row's."""
    names = column.unique(maintain_order=True)
    if len(names) > MOST_CHANNELS:
        raise CaptureError(
            f"{name}: it holds more than {MOST_CHANNELS} channels; check that it is undamaged."
        )
    listed = tuple(str(one) for one in names.to_list())
    if len(listed) <= 1:
        return listed, np.zeros(len(column), np.uint8)
    codes = column.cast(polars.Categorical).to_physical().to_numpy()
    known = names.cast(polars.Categorical).to_physical().to_numpy()
    order = np.argsort(known)
    numbers: NDArray[np.uint8] = order[np.searchsorted(known[order], codes)].astype(np.uint8)
    return listed, numbers
