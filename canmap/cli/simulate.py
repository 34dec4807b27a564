"""`canmap simulate`: a demonstration vehicle to a capture with its ground truth, or to virtual buses."""

from __future__ import annotations

import gc

import click

from canmap.base.errors import UsageError
from canmap.cli.captured_channels import tell_channels
from canmap.cli.options import OVERWRITE
from canmap.cli.printing import print_line

SELDOM = 100_000  # objects more, until Python looks for circles: a run makes many, and hardly a circle

EPILOG = """\
\b
Examples:
  canmap simulate specs/orchard_cart/scenarios/computer_drive.yaml --into drive.log
  canmap simulate drive.yaml --faults drop.yaml --seed 7 --into drop.log
  canmap simulate drive.yaml --live

A ground-truth file, with what went wrong and when, is written next to the capture, as a .yaml of the same
name. The two replace a pair that simulate wrote; any other existing file is replaced only with --overwrite.
The same files and seed give the same .log, byte for byte.
Nothing is ever sent on hardware: --live sends in real time on channels (can0, can1) of python-can's
virtual interface, which nothing outside this process can receive.
"""


@click.command("simulate", epilog=EPILOG, short_help="Make a capture of a demonstration vehicle.")
@click.argument("scenario", metavar="SCENARIO")
@click.option(
    "--into",
    metavar="CAPTURE",
    help="The capture to write, in the format of its ending, with a ground-truth file next to it.",
)
@click.option("--faults", metavar="FILE", help="A YAML file that says what goes wrong.")
@click.option("--seed", metavar="N", type=int, help="Use this seed instead of the one in the scenario.")
@OVERWRITE
@click.option("--live", is_flag=True, help="Send in real time on virtual buses, within this process.")
def simulate_command(
    scenario: str, into: str | None, faults: str | None, seed: int | None, overwrite: bool, live: bool
) -> int:
    """Simulate a demonstration vehicle, its kit and its buses; SCENARIO is a YAML file."""
    if live == (into is not None):
        raise UsageError("Give either --into CAPTURE or --live.")
    if into == "-":
        what = "A simulation has its ground truth beside it, so that it is not written to standard output"
        raise UsageError(f"{what}: name a file, such as drive.log.")
    from canmap.base.words import listed, times
    from canmap.simulator.scenario.scenario import load_scenario

    loaded = load_scenario(scenario, faults, seed)
    gc.set_threshold(SELDOM)
    if into is not None:
        from canmap.simulator.simulation import simulate_to_file

        outcome = simulate_to_file(loaded, into, overwrite=overwrite)
        truth = f"ground truth of {times(outcome.faults, 'fault')} in {outcome.truth_path}"
        written = [each for each in (into, outcome.second_capture, outcome.far_capture) if each]
        print_line(f"{times(outcome.frames, 'frame')} in {listed(written, 'and')}, {truth}.")
        buses = {bus.channel: name for name, bus in loaded.spec.buses.items()}
        tell_channels(outcome.channels, buses)
    else:
        from canmap.simulator.live import simulate_live

        channels = loaded.setup.kind.channels
        where = f"virtual {'channel' if len(channels) == 1 else 'channels'} {listed(channels, 'and')}"
        print_line(f"{loaded.name}: on the {where}; nothing is sent on hardware.")
        print_line(f"{simulate_live(loaded):,} frames sent.")
    return 0
