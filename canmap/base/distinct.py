"""Distinct values of an array, without `np.unique`: its first call imports the masked arrays of NumPy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def first_of_each(values: NDArray[np.generic]) -> NDArray[np.intp]:
    """Return where each distinct value of [n] comes first, by value, ascending."""
    order = values.argsort(kind="stable")
    new = np.ones(len(order), np.bool_)
    ascending = values[order]
    np.not_equal(ascending[1:], ascending[:-1], out=new[1:])
    return order[new]
