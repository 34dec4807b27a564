"""The command line's front door: whatever happens behind it ends with a status, and a sentence if it failed.

As little as can be is imported before the handlers stand, so that Ctrl-C, a lack of memory or a broken
installation end in the same way while the rest is imported.
"""

from __future__ import annotations

import gc
import os
import signal
import sys

from canmap.cli.ending import ENDING_SIGNALS, EndingSignal
from canmap.cli.status import FAILED, INTERRUPTED, PIPE_CLOSED

TYPE_CHECKING = False  # typing takes its time
if TYPE_CHECKING:
    from types import TracebackType

COMPLETION = "_CANMAP_COMPLETE"
# Loading makes objects that all stay. Looking for circles among them again and again, as after every 700 by
# default, is a tenth of the time to the first frame.
BETWEEN_COLLECTIONS = (100_000, 20, 20)
# NumPy starts a thread a core for linear algebra, of which there is none here. Each keeps its core busy for a
# tenth of a second, waiting for work.
LINEAR_ALGEBRA_THREADS = ("OPENBLAS_NUM_THREADS", "1")


def main() -> None:
    """Run the command line; never shows a traceback."""
    ending = EndingSignal()
    error: BaseException | None = None
    status = FAILED
    gc.set_threshold(*BETWEEN_COLLECTIONS)
    os.environ.setdefault(*LINEAR_ALGEBRA_THREADS)
    try:
        ending.listen()
        # A signal in the midst of it would leave a stream that says nothing any more.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING_SIGNALS)
        try:
            _open_what_is_closed()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        status = _run()
    except BaseException as raised:  # the outermost: nothing may pass
        error = raised
    ending.arrived()
    if ending.asked:
        error = ending.error()  # whatever a library made of it on its way
    if error is not None:
        status = _reported(error)
    status = _flushed(status)
    if ending.asked or isinstance(error, KeyboardInterrupt):
        _leave(status)
    gc.disable()  # else the interpreter looks through everything once more before it lets all of it go,
    gc.freeze()  # and then again
    raise SystemExit(status)


def _leave(status: int) -> None:
    """End at once: no thread that waits for input, or was never quite started, is waited for."""
    if unfinished := sys.modules.get("canmap.base.unfinished"):
        unfinished.remove_all()
    os._exit(status)


def _run() -> int:
    """Run the command that the arguments name, and return its exit status."""
    import click

    from canmap.cli.app import app

    if asked := os.environ.get(COMPLETION):
        from click.shell_completion import shell_complete

        return shell_complete(app, {}, "canmap", COMPLETION, asked)
    # Not app.main(): it has ends of its own for Ctrl-C and for a closed pipe.
    try:
        with app.make_context("canmap", sys.argv[1:]) as context:
            status = app.invoke(context)
    except click.exceptions.Exit as ended:  # after --help or --version
        status = ended.exit_code
    sys.stdout.flush()
    return status or 0


def _open_what_is_closed() -> None:
    """Let what the shell closed lead nowhere; else the next file that is opened would be standard output."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # it takes the lowest number that is free, which is this one
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):  # names may hold characters that its encoding lacks
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _reported(error: BaseException) -> int:
    """Say what ended the command, and return its exit status."""
    try:
        sentences, status = _sentences(error)
        for sentence in (*sentences, *_left_behind()):
            print(sentence, file=sys.stderr)
    except BaseException:  # nobody hears it, or there is no memory to say it
        return _status(error)
    return status


def _left_behind() -> list[str]:
    """Return what to say of files that stay although they are not whole, a line each."""
    parts = sys.modules.get("canmap.outputs.bags.partfile")
    if parts is None:
        return []
    from canmap.base.errors import printable

    return [f"canmap: {printable(one)}" for one in parts.left_behind()]


def _status(error: BaseException) -> int:
    if isinstance(error, SystemExit):
        return error.code if isinstance(error.code, int) else FAILED
    if isinstance(error, BrokenPipeError):
        return PIPE_CLOSED
    return INTERRUPTED if isinstance(error, KeyboardInterrupt) or type(error).__name__ == "Abort" else FAILED


def _sentences(error: BaseException) -> tuple[list[str], int]:
    """Return what to say of whatever ended a command, a line each, and its exit status."""
    status = _status(error)
    if isinstance(error, SystemExit):  # a signal, of which the shell tells, or whoever raised it has told
        return [], status
    if status == PIPE_CLOSED:  # whoever read our output has gone
        _drop(sys.stdout)
        return [], status
    if status == INTERRUPTED:
        return ["interrupted"], status
    if isinstance(error, MemoryError):
        return [
            "canmap: there is not enough memory for this; free some, or give it a part at a time."
        ], status
    from canmap.base.errors import CanmapError, FaultyFileError, printable

    if isinstance(error, FaultyFileError):
        sentences = [str(fault) for fault in error.faults]
    elif isinstance(error, CanmapError):
        sentences = [str(error)]
    else:
        usage = _usage(error)
        if isinstance(usage, list):
            return usage, status
        sentences = [usage or _unforeseen(error)]
    return [f"canmap: {printable(one)}" for one in sentences], status


def _usage(error: BaseException) -> str | list[str] | None:
    """Return a mistake in the arguments in a line, or the help that no argument asks for, or None."""
    import click

    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        return [error.format_message()]
    if isinstance(error, click.ClickException):
        context = getattr(error, "ctx", None)
        command = context.command_path if context else "canmap"
        said = error.format_message().rstrip(".")
        return f"{said}{'' if said.endswith(('?', '?)')) else '.'} See '{command} --help'."
    return None


def _unforeseen(error: BaseException) -> str:
    """Return a sentence for what the system or a library refuses, or what is a fault of ours."""
    if isinstance(error, RecursionError):
        return "the input is nested too deeply; make it simpler."
    if isinstance(error, OSError) and error.filename is None:
        from canmap.base.errors import system_reason

        _drop(sys.stdout)
        return f"the output cannot be written: {system_reason(error)}."
    where, line = _place(error.__traceback__)
    if isinstance(error, ImportError):
        return f"the installation is not complete ({error}, at {where}:{line}); install it again."
    kind = type(error).__name__
    return f"this is a fault of canmap ({kind}: {error}, at {where}:{line}); report it, with what led to it."


def _place(trace: TracebackType | None) -> tuple[str, int]:
    """Return the last place of the package that an error came through, file from the package on and line."""
    place = ("main.py", 0)
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if f"canmap{os.sep}" in file:
            place = (file.rpartition(f"canmap{os.sep}")[2], trace.tb_lineno)
        trace = trace.tb_next
    return place


def _flushed(status: int) -> int:
    """Return the status once everything is printed; what cannot be goes nowhere, without complaint."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            status = status if status > 1 else FAILED
            _drop(stream)
    return status


def _drop(stream: object) -> None:
    """Let what is still buffered go nowhere, so that nothing complains at the end."""
    number = getattr(stream, "fileno", lambda: 1)()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, number)
    os.close(nowhere)
