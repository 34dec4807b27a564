"""Frames: from the names of captures to a source.

In: paths, or `-` for standard input. Out: one `FrameSource`, several captures merged. What a file holds is
known by its first bytes where its format is binary, else by its ending; how it is compressed, by its first
bytes.
"""

from __future__ import annotations

import bz2
import codecs
import gzip
import lzma
import os
import stat
from collections import Counter
from importlib import import_module
from io import BufferedIOBase, BufferedReader
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, NamedTuple

from canmap.base.errors import CaptureError, UsageError
from canmap.base.unusable import unusable
from canmap.frames.batches import BatchedCapture
from canmap.frames.capture_formats import BY_ENDING, FORMATS, Format
from canmap.frames.content import DAMAGE, Content
from canmap.frames.merge import MergedCaptures
from canmap.frames.text.log import TextLog

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canmap.frames.source import FrameSource, Progress, Reached

STANDARD_INPUT = "-"
_NO_CAPTURE = frozenset({".yaml", ".yml", ".dbc"})  # what stands beside captures, and gets into their place


def _reading(
    module: str, function: str, *, in_order: bool = True
) -> Callable[[str, BufferedIOBase, Progress], FrameSource]:
    """Return what opens a capture with a function that yields chunks; its module is imported only then.

    Args:
        module: Where the function is.
        function: Its name.
        in_order: It reads the file from its beginning to its end; else nobody can tell how much is done.
    """

    def open_with(name: str, stream: BufferedIOBase, progress: Progress) -> FrameSource:
        read = getattr(import_module(f"canmap.frames.{module}"), function)
        return BatchedCapture(read, name, stream, progress if in_order else _untold)

    return open_with


# Makes a source of a capture's name, its stream, already decompressed, and what tells how much of the file
# has been read. The endings are those of `canmap.frames.capture_formats`.
READERS: dict[str, Callable[[str, BufferedIOBase, Progress], FrameSource]] = {
    ".log": TextLog,
    ".asc": _reading("text.asc", "read_asc"),
    ".blf": _reading("binary.blf", "read_blf"),
    ".csv": _reading("text.csvrows", "read_csv"),
    ".trc": _reading("text.trc", "read_trc"),
    ".db": _reading("binary.sqlite", "read_sqlite", in_order=False),
    ".mf4": _reading("binary.mdf", "read_mdf", in_order=False),
    ".pcap": _reading("binary.pcap", "read_pcap"),
    ".pcapng": _reading("binary.pcap", "read_pcap"),
    ".parquet": _reading("binary.table", "read_table", in_order=False),
}


class _Compression(NamedTuple):
    ending: str
    magic: bytes
    unpack: Callable[[BufferedReader], BufferedIOBase]


_COMPRESSIONS = (
    _Compression(".gz", b"\x1f\x8b", lambda stream: gzip.GzipFile(fileobj=stream, mode="rb")),
    _Compression(".bz2", b"BZh", bz2.BZ2File),
    _Compression(".xz", b"\xfd7zXZ\x00", lzma.LZMAFile),
)


# What files begin with, at a place, that are packed in a way that is not read here.
_ARCHIVES = (
    (0, b"PK\x03\x04", ".zip"),
    (0, b"PK\x05\x06", ".zip"),
    (0, b"\x28\xb5\x2f\xfd", ".zst"),
    (0, b"7z\xbc\xaf\x27\x1c", ".7z"),
    (257, b"ustar", ".tar"),
    *((0, one.magic, f"doubly compressed {one.ending}") for one in _COMPRESSIONS),
)


def open_captures(paths: Sequence[str]) -> FrameSource:
    """Open captures, several of them as one session.

    Args:
        paths: Files as the user named them; `-` is standard input.

    Raises:
        CaptureError: A file does not exist, is a folder, is empty, may not be read, or is in no known format.
        UsageError: No capture is named, one is named twice, or a name is empty.
    """
    if not paths:
        raise UsageError("No capture is named; name at least one file, or - for standard input.")
    if "" in paths:
        raise UsageError("The name of a capture is empty; name a file, or - for standard input.")
    if paths.count(STANDARD_INPUT) > 1:
        raise UsageError("Standard input (-) is named twice, but can be read only once.")
    sources: list[FrameSource] = []
    try:
        for path in paths:
            sources.append(_open_capture(path))
        _check_named_once(paths)
    except BaseException:
        for source in sources:
            source.close()
        raise
    return sources[0] if len(sources) == 1 else MergedCaptures(sources)


def _check_named_once(paths: Sequence[str]) -> None:
    files = Counter(os.path.realpath(path) for path in paths if path != STANDARD_INPUT)
    for path in paths:
        if files[os.path.realpath(path)] > 1:
            raise UsageError(f"{path} is named twice, and all its frames would count twice; name it once.")


def _open_capture(name: str) -> FrameSource:
    stream = _open_stream(name)
    try:
        text, start = _decompressed(name, stream)
        if start.startswith(codecs.BOM_UTF8):  # an editor's mark before the first line
            start = start.removeprefix(text.read(len(codecs.BOM_UTF8)))
        return READERS[_format(name, start).ending](name, text, _progress(stream))
    except BaseException:
        stream.close()
        raise


def _open_stream(name: str) -> BufferedReader:
    try:
        if name == STANDARD_INPUT:
            # Not sys.stdin.buffer: a thread that waits on that one when the program ends brings it down.
            return open(0, "rb", closefd=False)
        return Path(name).open("rb")
    except (OSError, ValueError) as error:
        raise CaptureError(f"{name}: {unusable(error, name).unread}.") from None


def _progress(stream: BufferedReader) -> Progress:
    """Return what tells how much of the file has been read."""
    status = os.fstat(stream.fileno())
    if not stat.S_ISREG(status.st_mode):
        return _untold

    def tell() -> Reached:
        return status.st_size if stream.closed else stream.tell(), status.st_size

    return tell


def _untold() -> Reached:
    return 0, None


def _decompressed(name: str, stream: BufferedReader) -> tuple[BufferedReader[Any], bytes]:
    """Return the stream of the content, and the beginning of it."""
    content, start = stream, _peek(name, stream)
    packed = next((one for one in _COMPRESSIONS if start.startswith(one.magic)), None)
    if packed is not None:
        content = BufferedReader(Content(packed.unpack, stream))
        start = _peek(name, content)
    for place, magic, ending in _ARCHIVES:
        if start.startswith(magic, place):
            raise CaptureError(f"{name}: this is a {ending} archive; unpack it and name the captures in it.")
    ending = PurePath(name).suffix.lower()
    if packed is None and ending in {one.ending for one in _COMPRESSIONS}:
        raise CaptureError(
            f"{name}: this is not a {ending} file: its first bytes differ; give it the right ending."
        )
    return content, start


def _peek(name: str, stream: BufferedReader[Any]) -> bytes:
    """Return some of the beginning, which stays to be read."""
    try:
        start = stream.peek()
    except DAMAGE as error:
        raise CaptureError(
            f"{name}: the file is damaged from its beginning ({error}); copy it again."
        ) from None
    if not start and name == STANDARD_INPUT:
        raise CaptureError(f"{name}: nothing came on standard input; check what writes to it.")
    if not start:
        raise CaptureError(f"{name}: the file is empty; check that the recorder wrote it.")
    return start


def _format(name: str, start: bytes) -> Format:
    """Return the format of a file of this name that begins like this.

    The content tells it, whatever the ending is: a binary one by its first bytes, a text by the first line
    that only one format has. The ending counts where no line does.
    """
    for one in FORMATS:
        if one.magic and start.startswith(one.magic):
            return one
    path = PurePath(name)
    endings = {compression.ending for compression in _COMPRESSIONS}
    ending = (path.with_suffix("") if path.suffix.lower() in endings else path).suffix.lower()
    found = BY_ENDING.get(ending)
    if (found is None or not found.magic) and b"\0" not in start:
        return _text_format(name, start, found)
    if found is not None and found.magic:
        raise CaptureError(
            f"{name}: this is not a {found.ending} file: its first bytes differ; check the file and its "
            "ending."
        )
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise CaptureError(f"{name}: this text is in UTF-16, as some shells write it; save it as UTF-8.")
    known = ", ".join(f"{one.ending} ({one.name})" for one in FORMATS)
    raise CaptureError(
        f"{name}: this is not a text log, it holds binary data; the known formats are {known}."
    )


def _text_format(name: str, start: bytes, by_ending: Format | None) -> Format:
    *lines, unended = start.split(b"\n")
    for line in lines or [unended]:
        for one in FORMATS:
            if one.line is not None and one.line.match(line.strip()):
                return one
    if by_ending is None and PurePath(name).suffix.lower() in _NO_CAPTURE:
        raise CaptureError(f"{name}: by its name this is a spec or a description, and no capture; name that.")
    if by_ending is None and lines:
        known = ", ".join(one.ending for one in FORMATS if one.line is not None)
        raise CaptureError(
            f"{name}: neither its first lines nor its name show its format; give the file the ending "
            f"of its format ({known})."
        )
    return by_ending or BY_ENDING[".log"]
