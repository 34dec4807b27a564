"""2. How long frames take on the wire, at least: with no stuff bit at all and no pause behind them.

In come columns of frames and the bit rates of their bus, out goes a time for each. Bit counts are those of
ISO 11898-1: start of frame to end of frame. A frame that really is sent again comes later than that, as there
is a pause of three bits between two frames and as a payload has stuff bits; so what comes earlier is not sent
again but recorded twice. Where the bit rate of the fast phase of an FD frame is not known, that phase counts
nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_FD, FrameKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

CLASSIC_BITS = (44, 64)  # of a frame with an 11-bit and a 29-bit identifier, beside its payload
FD_SLOW_BITS = (26, 45)  # start of frame to bit rate switch; acknowledgement and end of frame: 17 + 9, 36 + 9
FD_FAST_BITS = 1 + 4 + 4 + 1  # error state, length code, stuff count, CRC delimiter
FD_CRC_BITS = (17 + 6, 21 + 7)  # up to and beyond 16 bytes, with their fixed stuff bits
FD_SHORT = 16


def shortest_ns(
    chunk: FrameChunk, rows: NDArray[np.intp], bit_rate_bps: int, data_bit_rate_bps: int | None
) -> NDArray[np.float64]:
    """Return float64[k], the shortest time in ns that each frame of `rows` can take to be sent.

    Args:
        chunk: The frames.
        rows: intp[k], which of them.
        bit_rate_bps: Bit rate of the bus.
        data_bit_rate_bps: Bit rate of the fast phase of FD frames, None where it is not known.
    """
    wide = chunk.extended[rows].astype(np.intp)
    length = np.where(chunk.kind[rows] == FrameKind.REMOTE, 0, chunk.length[rows]).astype(np.int64)
    slow_ns = 1e9 / bit_rate_bps
    took_ns = np.asarray((np.array(CLASSIC_BITS)[wide] + 8 * length) * slow_ns, np.float64)
    is_fd = (chunk.flags[rows] & FLAG_FD) > 0
    if is_fd.any():
        fast = FD_FAST_BITS + 8 * length + np.where(length > FD_SHORT, FD_CRC_BITS[1], FD_CRC_BITS[0])
        switched = (chunk.flags[rows] & FLAG_BIT_RATE_SWITCH) > 0
        fast_ns = np.where(switched, 1e9 / data_bit_rate_bps if data_bit_rate_bps else 0.0, slow_ns)
        took_ns = np.where(is_fd, np.array(FD_SLOW_BITS)[wide] * slow_ns + fast * fast_ns, took_ns)
    return took_ns
