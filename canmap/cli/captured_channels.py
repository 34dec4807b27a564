"""What the channels of a capture that was written are called in it."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from canmap.cli.printing import print_line

if TYPE_CHECKING:
    from collections.abc import Mapping


def channel_options(channels: Mapping[str, str]) -> str:
    """Return the options that give buses their channels, as a shell takes them."""
    return " ".join(f"--channel {shlex.quote(f'{bus}={channel}')}" for bus, channel in channels.items())


def tell_channels(written: Mapping[str, str], buses: Mapping[str, str] | None = None) -> None:
    """Say on standard error which channels have another name in a capture, and which are mixed there.

    Args:
        written: Each channel, and what it is called in the capture.
        buses: Each channel, and the bus that listens to it, where that is known.
    """
    alike: dict[str, list[str]] = {}
    for name, called in sorted(written.items()):
        alike.setdefault(called, []).append(name)
    for called, names in alike.items():
        if len(names) > 1:
            mixed = f"{', '.join(names[:-1])} and {names[-1]}"
            print_line(
                f"The capture mixes the frames of {mixed}: all are on channel {called}.", to_stderr=True
            )
    renamed = {name: called for called, (name, *others) in alike.items() if called != name and not others}
    if not renamed:
        return
    renamings = ", ".join(f"{name} is channel {called}" for name, called in renamed.items())
    given = {bus: renamed[name] for name, bus in (buses or {}).items() if name in renamed}
    how = f" Inspect it with {channel_options(given)}." if given else ""
    print_line(f"In the capture, {renamings}.{how}", to_stderr=True)
