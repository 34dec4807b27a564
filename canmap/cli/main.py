"""The command line's front door: commands, exit status, and failures as one line each on standard error."""

from __future__ import annotations

import os
import signal
import sys

import typer

from canmap import __version__
from canmap.cli.inspect import inspect_command
from canmap.cli.replay import replay_command
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
app.command("inspect")(inspect_command)
app.command("replay")(replay_command)


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
        # Whoever read our output has gone; what is still buffered has nowhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = PIPE_CLOSED
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        status = INTERRUPTED
    except CanmapError as error:
        for line in str(error).splitlines():
            print(f"canmap: {line}", file=sys.stderr)
        status = FAILED
    except Exception as error:
        status = _usage_status(error)
    raise SystemExit(status or 0)


def _usage_status(error: Exception) -> int:
    """Show a mistake in the arguments in one line; any other exception is a fault of ours and passes."""
    if not hasattr(error, "format_message"):
        raise error
    print(f"canmap: {error.format_message()} See 'canmap --help'.", file=sys.stderr)
    return FAILED
