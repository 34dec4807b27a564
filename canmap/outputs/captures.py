"""Outputs: chunks of frames to capture files, in each format that `canmap.formats` says is written.

In: chunks in order. Out: a file that appears whole or not at all. SocketCAN text, packet captures, MDF and
the table of frames are written here, exactly; so is SQLite, because python-can's writer may lose rows when it
is closed; the others are written by python-can, with what those writers lose.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from canmap.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FLAG_SENT, FrameKind
from canmap.errors import OutputError
from canmap.extras import python_can
from canmap.formats import BY_ENDING, FORMATS, Errors, Fd, channel_number
from canmap.outputs.files import failures_named, is_direct, whole_files
from canmap.outputs.mdffile import write_mdf
from canmap.outputs.packetfile import write_pcap, write_pcapng
from canmap.outputs.sqlitefile import write_sqlite
from canmap.outputs.tablefile import write_table
from canmap.outputs.textfile import write_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.chunks import FrameChunk

NS = 1_000_000_000

_OWN: dict[str, Callable[[str, Iterable[FrameChunk]], None]] = {
    ".log": write_text,
    ".pcap": write_pcap,
    ".pcapng": write_pcapng,
    ".parquet": write_table,
    ".db": write_sqlite,
    ".mf4": write_mdf,
}
_IN_ONE_GO = {".log", ".pcap", ".pcapng"}  # from the first byte to the last, so that a pipe may take it
_PYTHON_CAN = {
    ".asc": "ASCWriter",
    ".blf": "BLFWriter",
    ".csv": "CSVWriter",
    ".trc": "TRCWriter",
}


def write_capture(path: str, chunks: Iterable[FrameChunk]) -> int:
    """Write frames to a capture whose format the ending of its name tells.

    Frames of a kind that the format cannot hold are left out.

    Args:
        path: The file to write; it takes its name once it is complete.
        chunks: The frames, in order; bad lines are not written.

    Returns:
        How many frames were left out.

    Raises:
        OutputError: The format is not written, or the file cannot be.
        UsageError: The library that writes the format is not installed.
    """
    require_written(path)
    with whole_files(path) as (name,):
        return write_frames(name, chunks)


def require_written(path: str) -> None:
    """Refuse the name of a capture that is not written.

    Raises:
        OutputError: No format has its ending, or it is a pipe or a device and its format needs a file.
    """
    ending = Path(path).suffix.lower()
    if ending not in _OWN and ending not in _PYTHON_CAN:
        known = ", ".join(one.ending for one in FORMATS)
        raise OutputError(f"{path}: no capture is written with this ending; name one of {known}.")
    with failures_named(path):
        if ending not in _IN_ONE_GO and is_direct(path) and not Path(path).is_dir():
            known = ", ".join(sorted(_IN_ONE_GO))
            raise OutputError(f"{path} is no ordinary file, into which only {known} are written.")


def write_frames(path: str, chunks: Iterable[FrameChunk]) -> int:
    """Write frames to a file at once, in the format that its ending tells; return how many were left out."""
    ending = Path(path).suffix.lower()
    kept = _Kept(chunks, ending)
    if ending in _OWN:
        _OWN[ending](path, kept)
    else:
        _write_with_python_can(path, ending, kept)
    return kept.left_out


class _Kept:
    """The frames that a format can hold.

    Attributes:
        left_out: How many were not of that kind, so far.
    """

    def __init__(self, chunks: Iterable[FrameChunk], ending: str) -> None:
        self.left_out = 0
        self._chunks = chunks
        self._holds = BY_ENDING[ending].writes

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
            yield chunk if keep.all() else chunk.take(keep)


def _write_with_python_can(path: str, ending: str, chunks: Iterable[FrameChunk]) -> None:
    """Write through python-can, whose writers take floating-point seconds, and nothing before the first."""
    library = python_can()
    with getattr(library, _PYTHON_CAN[ending])(path) as writer:
        first_ns: int | None = None
        for chunk in chunks:
            numbers = [channel_number(name) - 1 for name in chunk.channels]  # python-can counts from 0
            for i in range(len(chunk)):
                t_ns = int(chunk.t_ns[i])
                first_ns = t_ns if first_ns is None else first_ns
                stamp_ns = max(t_ns, first_ns) if ending in {".asc", ".blf"} else t_ns
                writer(_message(library, chunk, i, stamp_ns, numbers[chunk.channel[i]]))


def _message(library: Any, chunk: FrameChunk, i: int, stamp_ns: int, channel: int) -> Any:
    kind, flags, length = int(chunk.kind[i]), int(chunk.flags[i]), int(chunk.length[i])
    return library.Message(
        timestamp=stamp_ns / NS,
        arbitration_id=int(chunk.can_id[i]),
        is_extended_id=bool(chunk.extended[i]),
        is_remote_frame=kind == FrameKind.REMOTE,
        is_error_frame=kind == FrameKind.ERROR,
        is_fd=bool(flags & FLAG_FD),
        bitrate_switch=bool(flags & FLAG_BIT_RATE_SWITCH),
        error_state_indicator=bool(flags & FLAG_ERROR_PASSIVE),
        is_rx=not flags & FLAG_SENT,
        dlc=length,
        data=b"" if kind == FrameKind.REMOTE else chunk.payload[i, :length].tobytes(),
        channel=channel,
    )
