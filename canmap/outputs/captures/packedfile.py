"""Outputs: captures packed as they are written, in each way that is unpacked when one is read.

Whatever is packed here is read again: what would unpack to more than `canmap.frames.content` lets through is
refused while it is written.
"""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
from functools import partial
from pathlib import PurePath
from typing import IO, TYPE_CHECKING, NamedTuple

from canmap.base.errors import OutputError, UsageError
from canmap.frames.content import MOST_GROWTH, is_too_much

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from _typeshed import ReadableBuffer

AT_ONCE = 1 << 20  # bytes packed at once
STANDARD_ENDING = ".log"  # of what is written to standard output
GZIP_LEVEL = 6
PACKINGS: dict[str, Callable[[IO[bytes]], IO[bytes]]] = {
    # Without name and time, so that the same frames give the same bytes.
    ".gz": lambda file: gzip.GzipFile("", "wb", GZIP_LEVEL, file, mtime=0),  # type: ignore[dict-item,return-value]
    ".bz2": partial(bz2.BZ2File, mode="wb"),
    ".xz": partial(lzma.LZMAFile, mode="wb"),
}


class CaptureKind(NamedTuple):
    """What a capture is.

    Attributes:
        ending: Of its format.
        packing: Ending of how it is packed, "" where it is not.
    """

    ending: str
    packing: str = ""


def capture_kind(path: str, form: str | None = None) -> CaptureKind:
    """Return what a capture is, by its name or by what `form` says, such as "log" or "log.gz".

    Raises:
        UsageError: The two contradict each other.
    """
    by_name = _kind(PurePath(path).name)
    if form is None:
        return CaptureKind(STANDARD_ENDING) if path == "-" else by_name
    asked = _kind(f"x.{form.removeprefix('.')}")
    if by_name.ending and asked != by_name:
        raise UsageError(f"{path} ends in {''.join(by_name)}, but the format asked for is {form}; give one.")
    return asked


def _kind(name: str) -> CaptureKind:
    path = PurePath(name)
    packing = path.suffix.lower()
    if packing not in PACKINGS:
        return CaptureKind(packing)
    return CaptureKind(path.with_suffix("").suffix.lower(), packing)


@contextlib.contextmanager
def packed_into(file: IO[bytes], kind: CaptureKind, named: str) -> Iterator[IO[bytes]]:
    """Give a file whose content goes into `file`, packed as its kind is.

    Args:
        file: Open for writing; it stays open.
        kind: What is written.
        named: What complaints call it.
    """
    if not kind.packing:
        yield file
        return
    with io.BufferedWriter(_Packing(file, kind, named), AT_ONCE) as content:
        yield content


class _Counted(io.RawIOBase):
    """Counts the bytes that go into a file, which stays open."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.count = 0

    def writable(self) -> bool:
        return True

    def write(self, data: ReadableBuffer) -> int:
        size = memoryview(data).nbytes
        self._file.write(data)
        self.count += size
        return size


class _Packing(io.RawIOBase):
    """Packs what is written to it."""

    def __init__(self, file: IO[bytes], kind: CaptureKind, named: str) -> None:
        self._counted = _Counted(file)
        self._packed = PACKINGS[kind.packing](self._counted)  # type: ignore[arg-type]
        self._kind, self._named = kind, named
        self._unpacked = 0

    def writable(self) -> bool:
        """It can be written."""
        return True

    def write(self, data: ReadableBuffer) -> int:
        """Pack some bytes.

        Raises:
            OutputError: They pack so well that no reader takes them for a capture.
        """
        size = memoryview(data).nbytes
        before = self._counted.count  # whoever reads as far has read no less of the file
        self._packed.write(data)
        self._unpacked += size
        if is_too_much(self._unpacked, before):
            raise OutputError(
                f"{self._named}: these frames pack to less than a {MOST_GROWTH}th of their size, and a file "
                f"like that is not read as a capture; write it without {self._kind.packing}."
            )
        return size

    def close(self) -> None:
        """Write what is left of it."""
        if not self.closed:
            self._packed.close()
        super().close()
