"""The command line's front door: commands, exit status, and failures as one line each on standard error."""

from __future__ import annotations

import io
import os
import signal
import sys

import click

from canmap import __version__
from canmap.cli.formats import formats_command
from canmap.cli.inspect import inspect_command
from canmap.cli.replay import replay_command
from canmap.cli.simulate import simulate_command
from canmap.cli.transcribe import transcribe_command
from canmap.errors import CanmapError

FAILED = 2  # the command could not do its work
INTERRUPTED = 128 + signal.SIGINT
PIPE_CLOSED = 128 + signal.SIGPIPE


@click.group(epilog="This tool is no safety function; the kit maker's manual and local rules come first.")
@click.version_option(__version__, message="canmap %(version)s")
def app() -> None:
    """Turn the CAN frames of a drive-by-wire kit into typed vehicle-state records.

    See what is stale, missing, out of range or wrong, and why.
    """


app.add_command(inspect_command)
app.add_command(replay_command)
app.add_command(transcribe_command)
app.add_command(simulate_command)
app.add_command(formats_command)


def main() -> None:
    """Run the command line; never shows a traceback for what a user can cause."""
    if sys.stdout is None:  # the shell closed it
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    if isinstance(sys.stdout, io.TextIOWrapper):  # names may hold characters that its encoding lacks
        sys.stdout.reconfigure(errors="backslashreplace")
    signal.signal(signal.SIGTERM, _end)
    try:
        status = app(prog_name="canmap", standalone_mode=False)
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output has gone.
        _drop_output()
        status = PIPE_CLOSED
    except (KeyboardInterrupt, click.Abort):
        print("interrupted", file=sys.stderr)
        status = INTERRUPTED
    except CanmapError as error:
        for line in str(error).splitlines():
            print(f"canmap: {line}", file=sys.stderr)
        status = FAILED
    except OSError as error:
        status = _unwritten_status(error)
    except click.ClickException as error:
        status = _usage_status(error)
    raise SystemExit(status or 0)


def _end(number: int, _frame: object) -> None:
    """End as if interrupted, so that no half-written file is left behind."""
    raise SystemExit(128 + number)


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


def _usage_status(error: click.ClickException) -> int:
    """Show a mistake in the arguments in one line."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        print(error.format_message(), file=sys.stderr)
    else:
        print(f"canmap: {error.format_message().rstrip('.?')}. See 'canmap --help'.", file=sys.stderr)
    return FAILED
