"""A bus description file to a `Description`, whatever its format."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canmap.mapping.description.description import Description


def load_description(path: str) -> Description:
    """Read the bus description `path`: a DBC file, or by its ending .arxml, .kcd or .sym.

    Text is UTF-8 where it reads as such, else Windows-1252.

    Raises:
        DescriptionError: It cannot be used; every mistake that was found, with file and line.
    """
    # The library that reads descriptions takes 0.1 s to import; commands that need none go without.
    from canmap.mapping.description.database import read_database  # noqa: PLC0415

    return read_database(path)
