"""What a bag is called, whole or not: the only place that tells one by its name."""

from __future__ import annotations

BAG = ".mcap"
PART = ".part"  # behind that, until it is whole


def is_bag(path: str) -> bool:
    """Tell whether an output of this name is a bag."""
    return path.lower().endswith(BAG)


def is_cut_off_bag(path: str) -> bool:
    """Tell whether a file of this name is what there is of a bag that is not whole."""
    return path.lower().endswith(BAG + PART)
