"""Outputs: chunks of frames to capture files, in each format that `frames.capture_formats` says is written.

In: chunks in order. Out: a file that appears whole or not at all. SocketCAN text, packet captures, MDF and
the table of frames are written here, exactly; so is SQLite, because python-can's writer may lose rows when it
is closed; the others are written by python-can, with what those writers lose.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.base.errors import OutputError
from canmap.base.extras import python_can
from canmap.base.unfinished import UnfinishedFile
from canmap.frames.capture_formats import (
    BY_ENDING,
    FORMATS,
    MOST_NAME,
    Channels,
    Errors,
    Fd,
    Format,
    channel_number,
)
from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FLAG_SENT, FrameKind
from canmap.outputs.captures.mdffile import write_mdf
from canmap.outputs.captures.packedfile import AT_ONCE, CaptureKind, capture_kind, packed_into
from canmap.outputs.captures.packetfile import UnfitStampError, write_pcap, write_pcapng
from canmap.outputs.captures.sqlitefile import write_sqlite
from canmap.outputs.captures.tablefile import write_table
from canmap.outputs.captures.textfile import write_text
from canmap.outputs.files import (
    STANDARD_OUTPUT,
    failures_named,
    is_direct,
    whole_binary_files,
    whole_files,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from canmap.frames.chunks import FrameChunk

NS = 1_000_000_000
FIRST_BLF_NS = 631_152_000 * NS  # 1990: python-can's writer writes no earlier start

LONGEST_SHOWN = 40  # characters of a name in a sentence

# From the first byte to the last, so that a pipe may take it, or whatever packs it.
_IN_ONE_GO: dict[str, Callable[[IO[bytes], Iterable[FrameChunk]], None]] = {
    ".log": write_text,
    ".pcap": write_pcap,
    ".pcapng": write_pcapng,
}
_OWN: dict[str, Callable[[str, Iterable[FrameChunk]], None]] = {
    ".parquet": write_table,
    ".db": write_sqlite,
    ".mf4": write_mdf,
}
_PYTHON_CAN = {
    ".asc": "ASCWriter",
    ".blf": "BLFWriter",
    ".csv": "CSVWriter",
    ".trc": "TRCWriter",
}


def write_capture(path: str, chunks: Iterable[FrameChunk], form: str | None = None) -> int:
    """Write frames to a capture whose format the ending of its name tells, and how it is packed.

    Frames of a kind that the format cannot hold are left out.

    Args:
        path: The file to write; it takes its name once it is complete. "-" is standard output.
        chunks: The frames, in order; bad lines are not written.
        form: The ending of the format, and of how it is packed, where `path` does not tell.

    Returns:
        How many frames were left out.

    Raises:
        OutputError: The format is not written, or the file cannot be, or a channel has a name or a number
            that would not come back.
        UsageError: The library that writes the format is not installed, or the name says something else
            than `form`.
    """
    kind = capture_kind(path, form)
    require_written(path, kind)
    if kind.ending in _IN_ONE_GO:
        with whole_binary_files(path) as (file,), packed_into(file, kind, path) as content:
            return _write_in_one_go(content, chunks, kind.ending, path)
    if not kind.packing:
        with whole_files(path) as (name,):
            return write_frames(name, chunks, path)
    import shutil  # noqa: PLC0415 - for this alone

    with whole_binary_files(path) as (file,):
        with failures_named(path):
            unpacked = UnfinishedFile(Path(path).parent, kind.ending)
        try:
            with failures_named(path):
                left_out = write_frames(unpacked.name, chunks, path)
            with packed_into(file, kind, path) as content, Path(unpacked.name).open("rb") as whole:
                shutil.copyfileobj(whole, content, AT_ONCE)
        finally:
            unpacked.remove()
    return left_out


def require_written(path: str, kind: CaptureKind | None = None) -> None:
    """Refuse the name of a capture that is not written.

    Args:
        path: The name; "-" is standard output.
        kind: What it is to be; by default what its ending says, not packed.

    Raises:
        OutputError: No format has its ending, or it is a pipe or a device and its format needs a file.
    """
    ending = Path(path).suffix.lower() if kind is None else kind.ending
    with failures_named(path):
        streamed = path == STANDARD_OUTPUT or (is_direct(path) and not Path(path).is_dir())
    if ending not in BY_ENDING:
        known = ", ".join(one.ending for one in FORMATS if not streamed or one.ending in _IN_ONE_GO)
        which = f"the ending {ending}" if streamed else "this ending"
        raise OutputError(f"{path}: no capture is written with {which}; name one of {known}.")
    if ending not in _IN_ONE_GO and streamed:
        known = ", ".join(sorted(_IN_ONE_GO))
        named = "Standard output" if path == STANDARD_OUTPUT else path
        raise OutputError(f"{named} is not an ordinary file; only {known} are written.")


def write_frames(path: str, chunks: Iterable[FrameChunk], named: str | None = None) -> int:
    """Write frames to a file at once, in the format that its ending tells; return how many were left out.

    `named` is what complaints call the file, where it is only on its way to its place.
    """
    ending = Path(path).suffix.lower()
    if ending in _IN_ONE_GO:
        with Path(path).open("wb") as file:
            return _write_in_one_go(file, chunks, ending, named or path)
    kept = _Kept(named or path, chunks, ending)
    if ending in _OWN:
        _OWN[ending](path, kept)
    else:
        _write_with_python_can(path, ending, kept)
    return kept.left_out


def _write_in_one_go(file: IO[bytes], chunks: Iterable[FrameChunk], ending: str, named: str) -> int:
    kept = _Kept(named, chunks, ending)
    try:
        _IN_ONE_GO[ending](file, kept)
    except UnfitStampError as error:
        raise OutputError(str(error), file=named) from None
    return kept.left_out


class _Kept:
    """The frames that a format can hold.

    Attributes:
        left_out: How many were not of that kind, so far.
    """

    def __init__(self, path: str, chunks: Iterable[FrameChunk], ending: str) -> None:
        self.left_out = 0
        self._path = path
        self._chunks = chunks
        self._format = BY_ENDING[ending]
        self._holds = self._format.writes
        self._fit: set[str] = set()  # channels that were found fit

    def __iter__(self) -> Any:
        for chunk in self._chunks:
            keep = chunk.t_ns == chunk.t_ns
            if self._holds.fd == Fd.NONE:
                keep &= (chunk.flags & FLAG_FD) == 0
            if self._holds.errors == Errors.NONE:
                keep &= chunk.kind != FrameKind.ERROR
            if not self._holds.remote:
                keep &= chunk.kind != FrameKind.REMOTE
            self.left_out += len(chunk) - int(keep.sum())
            kept = chunk if keep.all() else chunk.take(keep)
            self._check_channels(kept)
            yield kept

    def _check_channels(self, chunk: FrameChunk) -> None:
        seen = np.flatnonzero(np.bincount(chunk.channel))  # `unique` loads NumPy's masked arrays first
        new = {chunk.channels[number] for number in seen.tolist()} - self._fit
        for name in sorted(new):
            if reason := _unfit(name, self._format):
                shown = ascii(name) if len(name) < LONGEST_SHOWN else f"{name[:LONGEST_SHOWN]!a}..."
                raise OutputError(
                    f"{self._path}: a {self._format.ending} capture cannot hold the channel {shown}: "
                    f"{reason}; write it under another name."
                )
        self._fit |= new


def _unfit(name: str, form: Format) -> str:
    """Return why a channel would not come back as it went in, as far as the format holds it at all."""
    if form.writes.channels is Channels.NUMBERS and channel_number(name) > form.most_channel:
        return f"its channels have numbers up to {form.most_channel:,}"
    if form.writes.channels is not Channels.NAMES:
        return ""
    if not name or not name.isprintable():
        return "its name is empty or cannot be printed"
    if form.ending == ".log" and " " in name:
        return "its name has a blank in it"
    return f"its name is longer than {MOST_NAME} bytes" if len(name.encode()) > MOST_NAME else ""


def _write_with_python_can(path: str, ending: str, chunks: Iterable[FrameChunk]) -> None:
    """Write through python-can, whose writers take floating-point seconds.

    Seconds since 1970 are too large a number to tell more than 0.24 us. So the writer is given the start
    apart, in whole seconds, and of each frame since that.
    """
    library = python_can()
    with getattr(library, _PYTHON_CAN[ending])(path) as writer:
        clock = _CLOCKS[ending]
        start_ns: int | None = None
        zero_ns = last_ns = 0
        for chunk in filter(len, chunks):
            if start_ns is None:
                start_ns = int(chunk.t_ns[0]) // NS * NS
                zero_ns = clock.begin(writer, start_ns)
            last_ns = int(chunk.t_ns[-1])
            stamps = [clock.stamp(t_ns - zero_ns) for t_ns in chunk.t_ns.tolist()]
            numbers = [channel_number(name) - 1 for name in chunk.channels]  # python-can counts from 0
            for message in messages(library, chunk, stamps, numbers):
                writer(message)
        if start_ns is not None:
            clock.end(writer, start_ns, last_ns)


def messages(
    library: Any, chunk: FrameChunk, stamps: Iterable[float], numbers: Sequence[int]
) -> Iterator[Any]:
    """Yield frames as messages of python-can.

    Args:
        library: python-can.
        chunk: The frames.
        stamps: The stamp of each.
        numbers: The number of each channel.
    """
    columns = (chunk.channel, chunk.can_id, chunk.extended, chunk.kind, chunk.flags, chunk.length)
    rows = zip(stamps, *(column.tolist() for column in columns), chunk.payload, strict=True)
    for stamp, channel, can_id, extended, kind, flags, length, payload in rows:
        yield library.Message(
            timestamp=stamp,
            arbitration_id=can_id,
            is_extended_id=extended,
            is_remote_frame=kind == FrameKind.REMOTE,
            is_error_frame=kind == FrameKind.ERROR,
            is_fd=bool(flags & FLAG_FD),
            bitrate_switch=bool(flags & FLAG_BIT_RATE_SWITCH),
            error_state_indicator=bool(flags & FLAG_ERROR_PASSIVE),
            is_rx=not flags & FLAG_SENT,
            dlc=length,
            data=b"" if kind == FrameKind.REMOTE else payload[:length].tobytes(),
            channel=numbers[channel],
        )


class _Clock(NamedTuple):
    """How a writer of python-can is given the time.

    Attributes:
        begin: Tells it of the start in ns, and returns from when on the stamps of frames count.
        stamp: Makes what a frame is stamped with of the ns since then.
        end: Tells it that the frames from a start to a last stamp are written.
    """

    begin: Callable[[Any, int], int]
    stamp: Callable[[int], float]
    end: Callable[[Any, int, int], None]


class _Written(float):
    """A number of seconds that is written with all its ns."""

    def __new__(cls, t_ns: int) -> _Written:
        one = super().__new__(cls, t_ns / NS)
        seconds, fraction = divmod(abs(t_ns), NS)
        one._text = f"{'-' if t_ns < 0 else ''}{seconds}.{fraction:09}"
        return one

    _text: str

    def __repr__(self) -> str:
        return self._text


def _begin_asc(writer: Any, start_ns: int) -> int:
    writer.log_event("// frames from here on", start_ns / NS)  # with the first event goes the header
    writer.started = 0.0
    return start_ns


def _begin_blf(writer: Any, start_ns: int) -> int:
    writer.start_timestamp = 0.0
    return start_ns if start_ns >= FIRST_BLF_NS else 0


def _end_blf(writer: Any, start_ns: int, last_ns: int) -> None:
    writer.start_timestamp, writer.stop_timestamp = start_ns / NS, last_ns / NS


def _begin_trc(writer: Any, start_ns: int) -> int:
    writer.write_header(start_ns / NS)
    writer.first_timestamp = 0.0
    return start_ns


def _no_end(_writer: Any, _start_ns: int, _last_ns: int) -> None:
    """Nothing is to be written at the end."""


_CLOCKS = {
    ".asc": _Clock(_begin_asc, lambda ns: max(ns, 0) / NS, _no_end),
    # Half a ns more, because the writer cuts off what is left of a ns.
    ".blf": _Clock(_begin_blf, lambda ns: (max(ns, 0) + 0.5) / NS, _end_blf),
    ".csv": _Clock(lambda _writer, _start_ns: 0, _Written, _no_end),
    ".trc": _Clock(_begin_trc, lambda ns: ns / NS, _no_end),
}
