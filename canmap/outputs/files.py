"""Files that appear whole or not at all, several of them together."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import signal
import stat
import sys
import threading
from pathlib import Path
from typing import IO, TYPE_CHECKING

from canmap.base.errors import CanmapError, OutputError
from canmap.base.unfinished import UnfinishedFile
from canmap.base.unusable import unusable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from _typeshed import ReadableBuffer

STANDARD_OUTPUT = "-"
_OPEN_STREAM = re.compile(r"/dev/(stdout|stderr|fd/\d+)|/proc/self/fd/\d+")
# The last one is how one of the others comes again.
_ENDING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGALRM)


@contextlib.contextmanager
def whole_text_file(path: str) -> Iterator[IO[str]]:
    """Open a UTF-8 text file for writing that takes its name only once it is complete.

    It is written beside its place and renamed when the block ends; if the block raises, nothing is left.
    "-" is standard output; a device, a pipe or a terminal is written to directly and never replaced. That
    the place can be written to is known before the block begins.

    Raises:
        OutputError: It cannot be written there.
    """
    if path == STANDARD_OUTPUT:
        yield sys.stdout
        return
    with (
        whole_binary_files(path) as (raw,),
        io.TextIOWrapper(raw, encoding="utf-8", errors="backslashreplace") as file,
    ):
        yield file


@contextlib.contextmanager
def whole_binary_files(*paths: str, folder: str = "") -> Iterator[tuple[IO[bytes], ...]]:
    """Open files for writing, which take their names together as those of `whole_files` do.

    Args:
        paths: Their names; "-" is standard output.
        folder: The folder that all of them are in; it is made together with them where it is not there.

    Raises:
        OutputError: One cannot be written there.
    """
    if paths == (STANDARD_OUTPUT,):
        yield (sys.stdout.buffer,)
        sys.stdout.buffer.flush()
        return
    with _placed(*paths, folder=folder) as places, contextlib.ExitStack() as stack:
        yield tuple(stack.enter_context(_opened(place)) for place in places)


@contextlib.contextmanager
def whole_files(*paths: str) -> Iterator[tuple[str, ...]]:
    """Give names of files to write, with the same endings, that take the names `paths` when the block ends.

    They take them together: no signal, no failure and no full disk leaves one without the others. If the
    block raises, nothing is left. A device, a pipe or a terminal is given by its own name.

    Raises:
        OutputError: One cannot be written there.
    """
    with _placed(*paths) as places:
        try:
            yield tuple(place.name for place in places)
        except OutputError as error:  # which names the file as it is called until it is complete
            error.file = next((place.path for place in places if place.name == error.file), error.file)
            raise
        except (CanmapError, BrokenPipeError):
            raise
        except OSError as error:
            at_fault = [place for place in places if place.name == error.filename]
            with failures_named((at_fault or places)[0].path):
                raise


def is_direct(path: str) -> bool:
    """Return whether what is written to `path` goes there at once: it is a device, a pipe or a terminal.

    Raises:
        OSError: The system does not say.
        ValueError: No file can have this name.
    """
    if _OPEN_STREAM.fullmatch(path):
        return True
    try:
        return not stat.S_ISREG(Path(path).stat().st_mode)
    except FileNotFoundError:
        return False


def open_direct(path: str) -> int:
    """Return a handle to write to a device, a pipe or a terminal.

    Raises:
        OSError: It cannot be written to.
    """
    found = _OPEN_STREAM.fullmatch(path)
    return (
        os.dup(_number(path)) if found else os.open(path, os.O_WRONLY)
    )  # a second opening begins at 0 again


class _Place:
    """Where a file is to stand.

    Attributes:
        path: As the user named it.
        name: What is written until it is complete; `path` itself where that is a device.
    """

    def __init__(self, path: str, beside: Path | None = None) -> None:
        """Find out whether it can be written, and begin it.

        Args:
            path: As the user names it.
            beside: The folder in which it is written until it is complete; by default that of its place.

        Raises:
            OSError: It cannot, or must not be replaced.
            ValueError: No file can have this name.
        """
        self.path = self.name = path
        if path.endswith(os.sep) or Path(path).is_dir():
            raise IsADirectoryError
        self._beside = not is_direct(path)
        if not self._beside:
            return
        self._target = Path(os.path.realpath(path))
        folder = beside or self._target.parent
        self._is_new = not self._target.exists()
        if not self._is_new and not os.access(self._target, os.W_OK):
            raise PermissionError(errno.EACCES, "it is read-only")
        # The name may be as long as the system allows, so that this one must not grow with it.
        if len(os.fsencode(self._target.name)) > os.pathconf(folder, "PC_NAME_MAX"):
            raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG))
        self._file = UnfinishedFile(folder, Path(path).suffix)
        self.name = self._file.name

    def make_ready(self) -> None:
        """Give it the permissions of what it replaces, or of a new file."""
        if self._beside:
            Path(self.name).chmod(_ordinary_mode(None if self._is_new else self._target))

    def put(self) -> None:
        """Give it its name."""
        if self._beside:
            self._file.place(self._target)

    def take_back(self) -> None:
        """Take it away again where nothing was before."""
        if self._beside and self._is_new:
            with contextlib.suppress(OSError):
                self._target.unlink()

    def drop(self) -> None:
        """Take away what is not complete."""
        if self._beside:
            self._file.remove()


@contextlib.contextmanager
def _placed(*paths: str, folder: str = "") -> Iterator[tuple[_Place, ...]]:
    """Begin files, and put all in place when the block ends, or none; `folder` is made with them."""
    places: list[_Place] = []
    new = Path(os.path.realpath(folder)) if folder and not Path(folder).exists() else None
    try:
        for path in paths:
            if not path:
                raise OutputError("The name of the file to write is empty; name one.")
            with failures_named(folder if new else path):
                places.append(_Place(path, new.parent if new else None))
        yield tuple(places)
        with signals_held():
            _put_in_place(places, new)
    except BaseException:
        with signals_held():
            for place in places:
                place.drop()
        raise


def _put_in_place(places: list[_Place], new: Path | None = None) -> None:
    """Give all their names, in the folder `new` where they need one, as near to each other as can be."""
    done: list[_Place] = []
    for place in places:
        with failures_named(place.path):
            place.make_ready()
    if new is not None:
        with failures_named(str(new)):
            new.mkdir()
    try:
        for place in places:
            with failures_named(place.path):
                place.put()
            done.append(place)
    except BaseException:
        for place in done:
            place.take_back()
        if new is not None:
            with contextlib.suppress(OSError):  # someone else put something into it
                new.rmdir()
        raise


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """Let what would end the program wait until the block is over."""
    if threading.current_thread() is not threading.main_thread():  # no signal reaches any other
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in _ENDING_SIGNALS}
    held = [number for number, handler in before.items() if handler is not None]
    for number in held:
        signal.signal(number, lambda number, _frame: came.append(number))
    try:
        yield
    finally:
        for number in held:
            signal.signal(number, before[number])
        for sent in came:
            signal.raise_signal(sent)


def _opened(place: _Place) -> io.BufferedWriter:
    with failures_named(place.path):
        return io.BufferedWriter(_NamedFile(place.name, place.path))


class _NamedFile(io.FileIO):
    """A file for writing whose failures name it as the user did, whoever writes at that moment."""

    def __init__(self, name: str, path: str) -> None:
        super().__init__(open_direct(name) if _OPEN_STREAM.fullmatch(name) else name, "w")
        self._path = path

    def write(self, data: ReadableBuffer) -> int:
        """Write some or all of the bytes."""
        with failures_named(self._path):
            return super().write(data)


def _number(stream: str) -> int:
    """Return the number of an open stream that is named by its path."""
    name = Path(stream).name
    return {"stdout": 1, "stderr": 2}.get(name) or int(name)


@contextlib.contextmanager
def failures_named(path: str) -> Iterator[None]:
    """Turn what the system says of `path` into one sentence."""
    try:
        yield
    except (CanmapError, BrokenPipeError):
        raise
    except IsADirectoryError as error:
        raise OutputError(f"{path} is a folder; name a file in it.") from error
    except (OSError, ValueError) as error:
        raise OutputError(f"{path} cannot be written: {unusable(error, path).why}.") from error


def _ordinary_mode(target: Path | None) -> int:
    """Permissions of the file that is replaced, else those that a new file would get."""
    if target is not None:
        return stat.S_IMODE(target.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
