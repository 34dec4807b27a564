"""Frames, formats that are read at any place of the file: a stream to a file on disk.

In: a stream. Out: the path of a file with its content: the capture itself where it lies open, else a copy
that is taken away again.
"""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from canmap.base.errors import CaptureError, system_reason
from canmap.base.unfinished import UnfinishedFile
from canmap.frames.content import DAMAGE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

MOST_UNPACKED = 2 << 30  # bytes of a copy
STEP = 1 << 20


@contextlib.contextmanager
def whole_file(name: str, stream: BufferedIOBase, ending: str) -> Iterator[str]:
    """Give the path of a file with the content of `stream`.

    Raises:
        CaptureError: The content cannot be read to its end, or is too large to be copied.
    """
    place = getattr(stream, "name", None)
    # No library takes a name that is no UTF-8.
    if isinstance(place, str) and place.isprintable() and Path(place).is_file():
        yield place
        return
    with copy_of(name, stream, ending) as copy:
        yield copy


@contextlib.contextmanager
def copy_of(name: str, stream: IO[bytes] | BufferedIOBase, ending: str) -> Iterator[str]:
    """Give the path of a copy of `stream`, which is taken away again.

    Raises:
        CaptureError: The content cannot be read to its end, or is too large to be copied.
    """
    copy = UnfinishedFile(Path(tempfile.gettempdir()), ending)
    try:
        with Path(copy.name).open("wb", buffering=0) as file:
            _copy(name, stream, file)
        yield copy.name
    finally:
        copy.remove()


def fits_a_copy(size: int) -> bool:
    """Whether so many bytes may be copied."""
    return size <= MOST_UNPACKED


def _copy(name: str, stream: IO[bytes] | BufferedIOBase, copy: IO[bytes]) -> None:
    size = 0
    try:
        while data := stream.read(STEP):
            size += len(data)
            if size > MOST_UNPACKED:
                raise CaptureError(
                    f"{name}: it unpacks to more than {MOST_UNPACKED >> 30} GiB; unpack it first."
                )
            _keep(copy, data)
    except DAMAGE as damage:
        if isinstance(damage, CaptureError):
            raise
        raise CaptureError(f"{name}: the data cannot be unpacked ({damage}); copy it again.") from None


def _keep(copy: IO[bytes], data: bytes) -> None:
    """Write all of `data` to the copy.

    Raises:
        CaptureError: It cannot be written, which is no fault of the capture.
    """
    view = memoryview(data)
    try:
        while view:
            view = view[copy.write(view) :]
    except OSError as error:
        raise CaptureError(
            f"{tempfile.gettempdir()} cannot take a copy of a capture: {system_reason(error)}."
        ) from None
