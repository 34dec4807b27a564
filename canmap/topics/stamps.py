"""Points of time as messages hold them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import OutputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

SECOND_NS = 1_000_000_000


def time_columns(stamp_ns: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.uint32]]:
    """Return the fields of a builtin_interfaces/msg/Time of each stamp: sec and nanosec.

    Args:
        stamp_ns: int64[n], ns since 1970. Before it sec is rounded down: -1.7 s is sec -2, nanosec 300000000.

    Returns:
        int32[n], s, and uint32[n], ns from 0 to 999999999.

    Raises:
        OutputError: A stamp does not fit into int32 seconds, which last from 1901 to January 2038.
    """
    sec, nanosec = np.divmod(stamp_ns, SECOND_NS)
    limits = np.iinfo(np.int32)
    if len(sec) and (beyond := sec[(sec < limits.min) | (sec > limits.max)]).size:
        raise OutputError(
            f"A stamp of {beyond[0]} s since 1970 does not fit into the time of a ROS 2 message,"
            " which ends in January 2038; correct the clock of the capture."
        )
    return sec.astype(np.int32), nanosec.astype(np.uint32)
