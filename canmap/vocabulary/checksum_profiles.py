"""The closed list of checksums that a spec may name, as data: how each is worked out, and where it stands.

Sources: CRCs by the catalogue in crccheck 1.3.1; E2E profiles by AUTOSAR "E2E Protocol Specification"
(document 849), as two open libraries have them, both `autosar-e2e`; of J1939 SAE J1939-71. What could not be
compared with a value from outside is marked `from memory`.

It stands in the package, not beside the fragments of specs: an installed package has no such folder, and a
name is known or unknown before any file is included.
"""

from __future__ import annotations

from dataclasses import field, replace

from canmap.base.dataclass import dataclass

PAYLOAD, IDENTIFIER, LENGTH = "payload", "identifier", "length"
DATA_ID, DATA_ID_LOW, DATA_ID_HIGH = "data_id", "data_id_low", "data_id_high"
# What a spec may list as going into a checksum.
INPUTS = (PAYLOAD, DATA_ID, DATA_ID_LOW, DATA_ID_HIGH, IDENTIFIER, LENGTH)
# What only profiles have: a byte of 0; the low byte at even counters, the high at odd; that of the counter.
ZERO, ALTERNATING, OF_COUNTER = "zero", "data_id_alternating", "data_id_of_counter"


@dataclass(frozen=True, kw_only=False)
class CrcParameters:
    """A cyclic redundancy check in the parametric model of R. N. Williams, 1993 (from memory).

    Attributes:
        width: Bits, 4 to 64.
        polynomial: Without its leading bit, most significant bit first.
        initial: Start value.
        reflected: The bits of every byte, and of the result, are taken least significant first.
        final_xor: Is mixed into the result.
    """

    width: int
    polynomial: int
    initial: int = 0
    reflected: bool = False
    final_xor: int = 0


@dataclass(frozen=True, slots=True)
class HeaderField:
    """What a profile sends beside its checksum.

    Attributes:
        byte: Its first byte, counted from the first of the checksum; negative in front of it.
        bits: Its length: whole bytes, most significant first, or 4 bits of one byte.
        first_bit: Least significant bit in its byte, for 4 bits.
    """

    byte: int
    bits: int
    first_bit: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumMethod:
    """How a checksum is worked out.

    Attributes:
        about: What it is, for the list of profiles.
        width: Bits of the checksum.
        crc: Its CRC; None for a sum.
        exclusive: The sum is an exclusive or.
        initial: What a sum starts with.
        final_xor: Is mixed into a sum.
        fold: How a sum is made shorter: "", "xbr", "tsc1".
        strength: A payload has the right checksum by chance once in 2**strength times.
        order: What goes in, in order.
        data_ids: How many data identifiers it has, 0 for none, None for what the spec says.
        data_id_bits: Bits of each.
        modes: Names of the ways to take the data identifier in, each with its order.
        little_endian: The checksum stands low byte first; None where that is for the description to say.
        counter: Where its counter is, None where the profile has none.
        counter_values: How many values the counter takes.
        sent_length: Where the length is sent.
        sent_data_id: Where the data identifier, or the upper part of it, is sent.
        from_memory: Nothing from outside was at hand to compare it with.
    """

    about: str = ""
    width: int
    crc: CrcParameters | None = None
    exclusive: bool = False
    initial: int = 0
    final_xor: int = 0
    fold: str = ""
    strength: int = 0
    order: tuple[str, ...] = (PAYLOAD,)
    data_ids: int | None = None
    data_id_bits: int = 32
    modes: dict[str, tuple[str, ...]] = field(default_factory=dict, hash=False)
    little_endian: bool | None = None
    counter: HeaderField | None = None
    counter_values: int = 0
    sent_length: HeaderField | None = None
    sent_data_id: HeaderField | None = None
    from_memory: bool = False

    @property
    def is_profile(self) -> bool:
        """Whether all of it is fixed but the data identifiers."""
        return self.data_ids is not None

    @property
    def plain_sum(self) -> ChecksumMethod:
        """A sum that starts with nothing and is not inverted."""
        return replace(self, initial=0, final_xor=0)

    def in_mode(self, mode: str) -> ChecksumMethod:
        """Return it with the data identifier taken in that way."""
        sent = HeaderField(1, 4, first_bit=4) if mode == NIBBLE else None
        return replace(self, order=self.modes[mode], sent_data_id=sent)


def crc_method(crc: CrcParameters, about: str = "") -> ChecksumMethod:
    """Return how a checksum that is a CRC is worked out."""
    return ChecksumMethod(
        about=about or f"a CRC of {crc.width} bits", width=crc.width, crc=crc, strength=crc.width
    )


# Name: width, polynomial, initial, reflected, final XOR.
CRCS: dict[str, CrcParameters] = {
    "CRC-8/SAE-J1850": CrcParameters(8, 0x1D, 0xFF, False, 0xFF),  # CRC8 of AUTOSAR
    "CRC-8/AUTOSAR": CrcParameters(8, 0x2F, 0xFF, False, 0xFF),  # CRC8H2F of AUTOSAR
    "CRC-8/SMBUS": CrcParameters(8, 0x07),
    "CRC-8/MAXIM-DOW": CrcParameters(8, 0x31, 0, True),
    "CRC-8/ROHC": CrcParameters(8, 0x07, 0xFF, True),
    "CRC-8/BLUETOOTH": CrcParameters(8, 0xA7, 0, True),
    "CRC-8/OPENSAFETY": CrcParameters(8, 0x2F),
    "CRC-8/TECH-3250": CrcParameters(8, 0x1D, 0xFF, True),
    "CRC-8/GSM-A": CrcParameters(8, 0x1D),
    "CRC-8/HITAG": CrcParameters(8, 0x1D, 0xFF),
    "CRC-11/FLEXRAY": CrcParameters(11, 0x385, 0x01A),
    "CRC-15/CAN": CrcParameters(15, 0x4599),
    "CRC-16/ARC": CrcParameters(16, 0x8005, 0, True),  # CRC16ARC of AUTOSAR
    "CRC-16/IBM-3740": CrcParameters(16, 0x1021, 0xFFFF),  # CRC16 of AUTOSAR
    "CRC-16/XMODEM": CrcParameters(16, 0x1021),
    "CRC-16/KERMIT": CrcParameters(16, 0x1021, 0, True),
    "CRC-16/MODBUS": CrcParameters(16, 0x8005, 0xFFFF, True),
    "CRC-16/IBM-SDLC": CrcParameters(16, 0x1021, 0xFFFF, True, 0xFFFF),
    "CRC-16/SPI-FUJITSU": CrcParameters(16, 0x1021, 0x1D0F),
    "CRC-17/CAN-FD": CrcParameters(17, 0x1685B),
    "CRC-21/CAN-FD": CrcParameters(21, 0x102899),
    "CRC-24/FLEXRAY-A": CrcParameters(24, 0x5D6DCB, 0xFEDCBA),
    "CRC-24/FLEXRAY-B": CrcParameters(24, 0x5D6DCB, 0xABCDEF),
    "CRC-32/ISO-HDLC": CrcParameters(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),  # CRC32 of AUTOSAR
    "CRC-32/AUTOSAR": CrcParameters(32, 0xF4ACFB13, 0xFFFFFFFF, True, 0xFFFFFFFF),  # CRC32P4 of AUTOSAR
    "CRC-32/ISCSI": CrcParameters(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/BZIP2": CrcParameters(32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
    "CRC-32/MPEG-2": CrcParameters(32, 0x04C11DB7, 0xFFFFFFFF),
    "CRC-64/XZ": CrcParameters(64, 0x42F0E1EBA9EA3693, 2**64 - 1, True, 2**64 - 1),  # CRC64 of AUTOSAR
    "CRC-64/ECMA-182": CrcParameters(64, 0x42F0E1EBA9EA3693),
    "CRC-64/GO-ISO": CrcParameters(64, 0x1B, 2**64 - 1, True, 2**64 - 1),
}  # fmt: skip

NIBBLE = "nibble"
_BOTH = (DATA_ID_LOW, DATA_ID_HIGH, PAYLOAD)
_NIBBLE = (DATA_ID_LOW, ZERO, PAYLOAD)
_LOW_NIBBLE = HeaderField(1, 4)


def _e2e(number: str, crc: CrcParameters, counter: HeaderField, **more: object) -> ChecksumMethod:
    """Return an E2E profile; its counter takes all values of its bits where `more` says nothing else."""
    about = f"profile {int(number)} of the AUTOSAR E2E protocol, a CRC of {crc.width} bits"
    whole: dict[str, object] = {"data_ids": 1, "counter_values": 1 << counter.bits, "counter": counter}
    return replace(crc_method(crc, about), **(whole | more))  # type: ignore[arg-type]


E2E: dict[str, ChecksumMethod] = {
    # "Data ID" both: low byte, high byte; low: the low byte; alternating: the low byte at even counters, the
    # high byte at odd ones; nibble: the low byte, then 0, and the low 4 bits of the high byte are sent.
    "E2E P01": _e2e(
        "01", CRCS["CRC-8/GSM-A"], _LOW_NIBBLE, counter_values=15, data_id_bits=16, order=_BOTH,
        modes={
            "both": _BOTH,
            "low": (DATA_ID_LOW, PAYLOAD),
            "alternating": (ALTERNATING, PAYLOAD),
            NIBBLE: _NIBBLE,
        },
    ),
    "E2E P02": _e2e(
        "02", CRCS["CRC-8/AUTOSAR"], _LOW_NIBBLE, data_ids=16, data_id_bits=8, order=(PAYLOAD, OF_COUNTER)
    ),
    "E2E P04": _e2e(
        "04", CRCS["CRC-32/AUTOSAR"], HeaderField(-6, 16), little_endian=False,
        sent_length=HeaderField(-8, 16), sent_data_id=HeaderField(-4, 32),
    ),
    "E2E P05": _e2e(
        "05", CRCS["CRC-16/IBM-3740"], HeaderField(2, 8), little_endian=True, data_id_bits=16,
        order=(PAYLOAD, DATA_ID_LOW, DATA_ID_HIGH),
    ),
    "E2E P06": _e2e(
        "06", CRCS["CRC-16/IBM-3740"], HeaderField(4, 8), little_endian=False, data_id_bits=16,
        order=(PAYLOAD, DATA_ID_HIGH, DATA_ID_LOW), sent_length=HeaderField(2, 16),
    ),
    "E2E P07": _e2e(
        "07", CRCS["CRC-64/XZ"], HeaderField(12, 32), little_endian=False,
        sent_length=HeaderField(8, 32), sent_data_id=HeaderField(16, 32),
    ),
    "E2E P08": _e2e(
        "08", CRCS["CRC-32/AUTOSAR"], HeaderField(8, 32), little_endian=False, from_memory=True,
        sent_length=HeaderField(4, 32), sent_data_id=HeaderField(12, 32),
    ),
    "E2E P11": _e2e(
        "11", CRCS["CRC-8/GSM-A"], _LOW_NIBBLE, counter_values=15, data_id_bits=16, order=_BOTH,
        modes={"both": _BOTH, NIBBLE: _NIBBLE},
    ),
    "E2E P22": _e2e(
        "22", CRCS["CRC-8/AUTOSAR"], _LOW_NIBBLE, data_ids=16, data_id_bits=8, order=(PAYLOAD, OF_COUNTER)
    ),
    "E2E P44": _e2e(
        "44", CRCS["CRC-32/AUTOSAR"], HeaderField(-6, 16), little_endian=False, from_memory=True,
        sent_length=HeaderField(-8, 16), sent_data_id=HeaderField(-4, 32),
    ),
}  # fmt: skip

SUMS: dict[str, ChecksumMethod] = {
    "sum8": ChecksumMethod(about="the sum of the bytes, its lowest 8 bits", width=8, strength=8),
    "sum16": ChecksumMethod(about="the sum of the bytes, its lowest 16 bits", width=16, strength=16),
    "xor8": ChecksumMethod(about="the exclusive or of the bytes", width=8, strength=8, exclusive=True),
    "J1939 XBR": ChecksumMethod(
        about="the message checksum of the external brake request, 4 bits of byte 7", width=4, fold="xbr",
        strength=4, order=(PAYLOAD, IDENTIFIER), data_ids=0, counter=HeaderField(0, 4), counter_values=16,
    ),
    "J1939 TSC1": ChecksumMethod(
        about="the message checksum of the torque and speed control, 4 bits of byte 7 of which it uses 3",
        width=4, fold="tsc1", strength=3, order=(PAYLOAD, IDENTIFIER), data_ids=0, counter=HeaderField(0, 4),
        counter_values=16, from_memory=True,
    ),
}  # fmt: skip

PROFILES: dict[str, ChecksumMethod] = E2E | SUMS | {name: crc_method(crc) for name, crc in CRCS.items()}
