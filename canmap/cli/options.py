"""Arguments that several commands share, and what they are turned into."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from canmap.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

LONGEST_S = 1e9  # thirty years: longer than any recording, and short enough for stamps in ns

Captures = Annotated[
    list[str],
    typer.Argument(
        metavar="CAPTURE",
        help="Captures of one session, in any format of canmap formats; - is standard input.",
        show_default=False,
    ),
]
SpecPath = Annotated[
    str, typer.Option("--spec", metavar="SPEC", help="The vehicle's mapping spec.", show_default=False)
]
Channels = Annotated[
    list[str] | None,
    typer.Option(
        "--channel",
        metavar="BUS=CHANNEL",
        help="Take a bus from another channel than the spec says.",
        show_default=False,
    ),
]
Descriptions = Annotated[
    list[str] | None,
    typer.Option(
        "--description",
        metavar="BUS=FILE",
        help="Take another description of a bus than the spec says.",
        show_default=False,
    ),
]
JsonPath = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Write the inspection as JSON; - is standard output."),
]
FromSecond = Annotated[
    float | None,
    typer.Option("--from", metavar="S", help="Leave out what came before S seconds from the first frame."),
]
ToSecond = Annotated[
    float | None,
    typer.Option("--to", metavar="S", help="Leave out what came from S seconds after the first frame on."),
]


def assignments(pairs: Sequence[str] | None, option: str) -> dict[str, str]:
    """Return BUS=VALUE arguments as a mapping.

    Raises:
        UsageError: One of them has no "=".
    """
    result = {}
    for pair in pairs or ():
        bus, equals, value = pair.partition("=")
        if not (bus and equals and value):
            raise UsageError(f"{option} {pair} is not of the form BUS=VALUE.")
        result[bus] = value
    return result


def span(from_s: float | None, to_s: float | None) -> tuple[float, float]:
    """Return the span of capture time to use, in s.

    Raises:
        UsageError: It is empty or not a time.
    """
    for option, value in (("--from", from_s), ("--to", to_s)):
        if value is not None and not 0 <= value <= LONGEST_S:
            raise UsageError(f"{option} {value:g} is no time; give seconds from the first frame.")
    begin, end = from_s or 0.0, math.inf if to_s is None else to_s
    if end <= begin:
        raise UsageError(f"--from {begin:g} and --to {end:g} leave no time between them.")
    return begin, end
