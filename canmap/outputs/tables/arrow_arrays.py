"""Columns as arrays of Arrow, of their bytes.

Not by `pyarrow.array`: that imports pandas where it is installed, which takes longer than all the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def numbers(arrow: Any, values: NDArray[Any], valid: NDArray[np.bool_]) -> Any:
    """Return numbers, or yes and no, as an array; null where not valid.

    Args:
        arrow: pyarrow.
        values: Their values, of which the array takes the memory where it can.
        valid: bool[n].
    """
    data = _bits(values) if values.dtype == np.bool_ else np.ascontiguousarray(values)
    return arrow.Array.from_buffers(
        arrow.from_numpy_dtype(values.dtype), len(values), [_validity(arrow, valid), arrow.py_buffer(data)]
    )


def texts(arrow: Any, cells: Sequence[str | None]) -> Any:
    """Return texts as an array; null where there is none."""
    encoded = [(cell or "").encode("utf-8", "backslashreplace") for cell in cells]
    ends = np.cumsum([0, *map(len, encoded)]).astype(np.int32)
    valid = np.array([cell is not None for cell in cells], np.bool_)
    buffers = [_validity(arrow, valid), arrow.py_buffer(ends), arrow.py_buffer(b"".join(encoded))]
    return arrow.Array.from_buffers(arrow.string(), len(cells), buffers)


def _validity(arrow: Any, valid: NDArray[np.bool_]) -> Any:
    return None if valid.all() else arrow.py_buffer(_bits(valid))


def _bits(values: NDArray[np.bool_]) -> NDArray[np.uint8]:
    return np.packbits(values, bitorder="little")
