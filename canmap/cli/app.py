"""The commands of the command line."""

from __future__ import annotations

import click

from canmap import __version__
from canmap.cli.diagnose import diagnose_command
from canmap.cli.export import export_command
from canmap.cli.formats import formats_command
from canmap.cli.inspect import inspect_command
from canmap.cli.replay import replay_command
from canmap.cli.simulate import simulate_command
from canmap.cli.topics import topics_command
from canmap.cli.transcribe import transcribe_command

EPILOG = """\
canmap COMMAND --help explains a command.

This tool is not a safety function; the kit maker's manual and local rules come first.
"""


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="canmap %(version)s")
def app() -> None:
    """Turn the CAN frames of a drive-by-wire kit into typed vehicle-state records.

    See what is stale, missing, out of range or wrong, and why.
    """


app.add_command(inspect_command)
app.add_command(diagnose_command)
app.add_command(replay_command)
app.add_command(export_command)
app.add_command(transcribe_command)
app.add_command(simulate_command)
app.add_command(topics_command)
app.add_command(formats_command)
