"""`canmap simulate`: the demonstration vehicle to a capture with its truth beside it, or to virtual buses."""

from __future__ import annotations

from typing import Annotated

import typer

from canmap.errors import UsageError

EPILOG = """\
Examples:

  canmap simulate specs/orchard_cart/scenarios/computer_drive.yaml --to drive.log

  canmap simulate drive.yaml --faults drop.yaml --seed 7 --to drop.log

  canmap simulate drive.yaml --live

The truth of what was wrong stands beside the capture, in drop.yaml for drop.log. Same files and seed, same
bytes. --live sends at true pace on the channels can0 and can1 of python-can's virtual interface, which reaches
the programs of this process only; nothing is ever sent on hardware.
"""


def simulate_command(
    scenario: Annotated[
        str, typer.Argument(metavar="SCENARIO", help="What is driven, a YAML file.", show_default=False)
    ],
    to: Annotated[
        str | None,
        typer.Option("--to", metavar="CAPTURE", help="Write a SocketCAN text log, and its truth as .yaml."),
    ] = None,
    faults: Annotated[
        str | None, typer.Option("--faults", metavar="FILE", help="What goes wrong, a YAML file.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", metavar="N", help="Instead of the scenario's seed.")
    ] = None,
    live: Annotated[
        bool, typer.Option("--live", help="Send at true pace on virtual buses, within this process.")
    ] = False,
) -> int:
    """Simulate the demonstration vehicle, its kit and its buses, with faults whose truth is known."""
    if live == (to is not None):
        raise UsageError("Say either --to CAPTURE or --live.")
    from canmap.simulator.scenario import load_scenario

    loaded = load_scenario(scenario, faults, seed)
    if to is not None:
        from canmap.simulator.run import simulate_to_file

        outcome = simulate_to_file(loaded, to)
        truth = f"the truth of {outcome.faults} fault{'s' * (outcome.faults != 1)} in {outcome.truth_path}"
        typer.echo(f"{outcome.frames:,} frames in {to}, {truth}.")
    else:
        from canmap.simulator.live import simulate_live

        typer.echo(f"{loaded.name}: on the virtual channels can0 and can1; nothing is sent on hardware.")
        typer.echo(f"{simulate_live(loaded):,} frames sent.")
    return 0
