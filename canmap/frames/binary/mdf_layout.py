"""What an MDF 4 bus log is made of, for whoever reads or writes one.

Source: ASAM MDF 4.1 and its bus logging (from memory), checked against the files that asammdf writes.
"""

from __future__ import annotations

import struct

from canmap.frames.chunks import FrameKind

HEADER = struct.Struct("<4s4xQQ")  # of a block: id, length, number of links
LINK = 8  # bytes
HEADER_PLACE = 64  # of the first block, behind what identifies the file
CHANNEL_GROUP = struct.Struct("<QQHHxxxxII")  # id, records, flags, separator, bytes of data, of validity
MASTER = 2  # a channel that tells the time, or what else the records are ordered by
TIME = 1  # what a master may tell
EVENTS = {
    "CAN_DataFrame": FrameKind.DATA,
    "CAN_RemoteFrame": FrameKind.REMOTE,
    "CAN_ErrorFrame": FrameKind.ERROR,
}
