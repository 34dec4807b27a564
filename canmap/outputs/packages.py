"""Outputs: packages of message types, each a folder of text files that appear together or not at all."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.errors import OutputError
from canmap.outputs.files import failures_named, whole_files
from canmap.outputs.guard import STANDARD, guard_output

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from canmap.topics.interface_package import InterfacePackage


def write_packages(
    folder: str, packages: Sequence[InterfacePackage], inputs: Iterable[str], *, overwrite: bool
) -> tuple[str, ...]:
    """Write each package into a folder of its name, which is made where it is not there.

    Files of other names that are there already stay.

    Args:
        folder: Where their folders go, the `src` of a workspace for one; made where it is not there.
        packages: What to write.
        inputs: Everything that the command reads, which is never replaced.
        overwrite: Whether files in the folder of a package may be replaced.

    Returns:
        The folders of the packages.

    Raises:
        OutputError: A package is there already, or cannot be written.
    """
    if folder in {"", STANDARD}:
        raise OutputError("Packages are folders: name the folder that they go into.")
    places = {str(Path(folder) / package.name): package for package in packages}
    texts = {
        str(Path(place) / path): text
        for place, package in places.items()
        for path, text in package.files().items()
    }
    for place in places:
        with failures_named(place):
            if not overwrite and Path(place).exists() and any(Path(place).iterdir()):
                raise OutputError(f"{place} exists; name another folder, or give --overwrite.")
    read = tuple(inputs)
    for path in texts:
        guard_output(path, read, overwrite=overwrite)
    with made_folders({str(Path(path).parent) for path in texts}), whole_files(*texts) as names:
        for name, text in zip(names, texts.values(), strict=True):
            Path(name).write_text(text, encoding="utf-8", newline="\n")
    return tuple(places)


@contextlib.contextmanager
def made_folders(wanted: Iterable[str]) -> Iterator[None]:
    """Make folders, and take them away again where the block raises and they are empty."""
    made: list[Path] = []
    try:
        for path in sorted(wanted):
            with failures_named(path):
                missing = [one for one in (Path(path), *Path(path).parents) if not one.exists()]
                for one in reversed(missing):
                    one.mkdir()
                    made.append(one)
        yield
    except BaseException:
        for one in reversed(made):
            with contextlib.suppress(OSError):
                one.rmdir()
        raise
