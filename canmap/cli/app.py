"""The commands of the command line, each imported when it is asked for."""

from __future__ import annotations

from importlib import import_module

import click

from canmap import __version__

EPILOG = """\
canmap COMMAND --help explains a command.

This tool is not a safety function; the kit maker's manual and local rules come first.
"""
# Each is in the module of its name.
COMMANDS = ("diagnose", "export", "formats", "inspect", "replay", "simulate", "topics", "transcribe")


class Commands(click.Group):
    """The commands, by name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return their names, in the order of the help."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command; a complaint that there is none compares its name with all of them."""
        for name in (cmd_name,) if cmd_name in COMMANDS else COMMANDS:
            if name not in self.commands:
                self.add_command(getattr(import_module(f"canmap.cli.{name}"), f"{name}_command"))
        return super().get_command(ctx, cmd_name)


@click.group(cls=Commands, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="canmap %(version)s")
def app() -> None:
    """Turn the CAN frames of a drive-by-wire kit into typed vehicle-state records.

    See what is stale, missing, out of range or wrong, and why.
    """
