"""From the file of a mapping spec to the resolved `Spec`: the only door of this stage.

Fragments are merged and descriptions loaded; `resolve` does the rest. All mistakes of the spec, its
fragments and its descriptions are reported together.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import ArgumentError, DescriptionError, UsageError
from canmap.mapping.description.load import load_description
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.include import read_with_fragments
from canmap.mapping.reading.mistakes import Faults, shown, unread_beside
from canmap.mapping.reading.names import Names
from canmap.mapping.reading.sections import Context
from canmap.mapping.resolve import part, resolve

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from os import PathLike

    from canmap.mapping.description.description import Description
    from canmap.mapping.model import Spec
    from canmap.mapping.resolve import BusEntries

MOST_BUSES = 100  # each takes time for its description, even for one that others have too

_NOTHING: Mapping[str, str] = {}


def load_spec(
    path: str | PathLike[str],
    *,
    channels: Mapping[str, str] | None = None,
    descriptions: Mapping[str, str] | None = None,
) -> Spec:
    """Load a mapping spec and the bus descriptions that it names.

    Args:
        path: The YAML file.
        channels: Bus name to channel, over what the spec says.
        descriptions: Bus name to the path of its description, over what the spec says.

    Raises:
        SpecError: The spec, a fragment or a description has mistakes; it holds all of them.
        ArgumentError: A `UsageError`: `channels` or `descriptions` names a bus that the spec lacks, or
            `channels` puts two buses on one channel.
        UsageError: `path` is empty.
    """
    if not str(path):
        raise UsageError("The name of the spec is empty; name one.")
    return build_spec(str(path), load_description, channels=channels, descriptions=descriptions)


def build_spec(
    path: str,
    describe: Callable[[str], Description],
    *,
    channels: Mapping[str, str] | None = None,
    descriptions: Mapping[str, str] | None = None,
) -> Spec:
    """Load a mapping spec with any reader of descriptions; see `load_spec`.

    Args:
        path: The YAML file.
        describe: Takes the path of a description; raises `DescriptionError` for a faulty one.
        channels: As in `load_spec`.
        descriptions: As in `load_spec`.

    Raises:
        SpecError: As in `load_spec`.
        ArgumentError: As in `load_spec`.
    """
    channels, descriptions = channels or _NOTHING, descriptions or _NOTHING
    faults = Faults()
    root, files = read_with_fragments(path, faults, [key.name for key in g.SPEC.keys])
    if root is None:
        raise faults.error()
    context = Context(faults, [], Names((), {}), file=path)
    buses = part(g.BUSES, root, context) or ()
    if buses:
        known = dict.fromkeys(entry.key for entry in buses)
        _check_bus_names("channels", channels, known, path, faults)
        _check_bus_names("descriptions", descriptions, known, path, faults)
    loaded = _load(buses, descriptions, describe, faults)
    context = replace(context, names=Names((entry.key for entry in buses), loaded))
    spec = resolve(path, root, loaded, channels, context)
    if len(faults):
        raise faults.error()
    return replace(spec, files=(*files, *(one.path for one in loaded.values())))


def _check_bus_names(
    argument: str, wanted: Iterable[str], known: Mapping[str, None], path: str, faults: Faults
) -> None:
    for name in wanted:
        if name not in known:
            text = f"The spec {path} has no bus {shown(name)}{faults.hint(name, known)}"
            raise ArgumentError(argument, text)


def _load(
    buses: BusEntries, paths: Mapping[str, str], describe: Callable[[str], Description], faults: Faults
) -> dict[str, Description]:
    """Load the description of each bus, beside the file that names it, or from where the user put it."""
    loaded: dict[str, Description] = {}
    if len(buses) > MOST_BUSES:
        faults.add(buses[MOST_BUSES].place, f"A vehicle has at most {MOST_BUSES} buses, this is one more.")
        return loaded
    for entry in buses:
        named = entry.value.get(g.DESCRIPTION)
        if entry.key in paths:
            path = paths[entry.key]
        elif named is None:
            continue
        else:
            path = str(Path(named.place.file).parent / named.text)
            if why := unread_beside(named.text, path):
                faults.add(named.place, why)
                continue
        try:
            loaded[entry.key] = describe(path)
        except DescriptionError as error:
            faults.extend(error.faults)
    return loaded
