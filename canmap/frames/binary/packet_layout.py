"""What packet captures are made of, for whoever reads or writes them.

Source: draft-ietf-opsawg-pcap and -pcapng, and the page of the link type, LINKTYPE_CAN_SOCKETCAN.
"""

from __future__ import annotations

LINK_TYPE = 227  # SocketCAN
IS_FD, RATE_SWITCH, ERROR_STATE = 0x04, 0x01, 0x02  # the FD flags of a packet
SECTION, INTERFACE, OLD_PACKET, SIMPLE_PACKET, PACKET = 0x0A0D0D0A, 1, 2, 3, 6  # blocks of a `.pcapng` file
BYTE_ORDER = 0x1A2B3C4D  # as the section writes it
# Of a block's options: the end of them all, an interface's, and a packet's.
OPTIONS_END = 0
OPTION_NAME, OPTION_RESOLUTION, OPTION_OFFSET = 2, 9, 14
OPTION_FLAGS = 2
RECEIVED, SENT = 1, 2  # the direction in a packet's flags
