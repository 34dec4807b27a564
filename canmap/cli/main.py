"""The command line's front door: commands, exit status, and failures as one line each on standard error."""

from __future__ import annotations

import os
import signal
import sys

import typer

from canmap import __version__
from canmap.cli import formats, inspect, replay
from canmap.errors import CanmapError

FAILED = 2  # the command could not do its work
INTERRUPTED = 128 + signal.SIGINT
PIPE_CLOSED = 128 + signal.SIGPIPE

app = typer.Typer(
    name="canmap",
    help=(
        "Turn the CAN frames of a drive-by-wire kit into typed vehicle-state records, and see what is stale, "
        "missing, out of range or wrong, and why."
    ),
    epilog="This tool is no safety function; the kit maker's manual and local rules come first.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command("inspect", epilog=inspect.EPILOG)(inspect.inspect_command)
app.command("replay", epilog=replay.EPILOG)(replay.replay_command)
app.command("formats")(formats.formats_command)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"canmap {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: bool = typer.Option(
        False, "--version", callback=_show_version, is_eager=True, help="Show the version and end."
    ),
) -> None:
    """Options of the program as a whole."""


def main() -> None:
    """Run the command line; never shows a traceback for what a user can cause."""
    try:
        status = app(standalone_mode=False)
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has gone.
        _drop_output()
        status = PIPE_CLOSED
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        status = INTERRUPTED
    except CanmapError as error:
        for line in str(error).splitlines():
            print(f"canmap: {line}", file=sys.stderr)
        status = FAILED
    except OSError as error:
        status = _unwritten_status(error)
    except Exception as error:
        status = _usage_status(error)
    raise SystemExit(status or 0)


def _drop_output() -> None:
    """Let what is still buffered for standard output go nowhere, so that nothing complains at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _unwritten_status(error: OSError) -> int:
    """Show that standard output cannot be written; a failure with a file is a fault of ours and passes."""
    if error.filename is not None:
        raise error
    _drop_output()
    print(f"canmap: the output cannot be written: {(error.strerror or str(error)).lower()}.", file=sys.stderr)
    return FAILED


def _usage_status(error: Exception) -> int:
    """Show a mistake in the arguments in one line; any other exception is a fault of ours and passes."""
    if not hasattr(error, "format_message"):
        raise error
    message = error.format_message().rstrip(".")
    if message:  # without any arguments the help was shown already
        print(f"canmap: {message}. See 'canmap --help'.", file=sys.stderr)
    return FAILED
