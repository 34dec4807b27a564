"""Grammar of a checksum: a named profile, or the parameters of a CRC; where it stands, what it covers.

Whatever cannot be worked out is a mistake at its line: so a rule that comes out of here can be judged.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import listed, times
from canmap.mapping.manual import ChecksumRule
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import Key, Section, scalar
from canmap.mapping.reading.shapes import integer, list_of, one_or_list, signal, text, word, yes_no
from canmap.vocabulary.checksum_profiles import (
    ALTERNATING,
    CRCS,
    DATA_ID,
    DATA_ID_HIGH,
    DATA_ID_LOW,
    E2E,
    INPUTS,
    OF_COUNTER,
    PAYLOAD,
    PROFILES,
    SUMS,
    ChecksumMethod,
    CrcParameters,
    HeaderField,
    crc_method,
)

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundMessage, FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues

_BYTE_NUMBER = integer(0, 63)
_WIDE = integer(0, 2**64 - 1)
_CRC_WIDTH = re.compile(r"crc[-_ ]?(\d{1,2})", re.IGNORECASE | re.ASCII)
_OF_DATA_ID = {DATA_ID, DATA_ID_LOW, DATA_ID_HIGH}


def _profile(node: Node, context: Context) -> str | None:
    """Read the name of a profile; of a CRC that is named by its width only, tell those of that width."""
    found = scalar(node, context, "a profile of checksums")
    if found is None or found.text in PROFILES:
        return found.text if found else None
    width = _CRC_WIDTH.fullmatch(found.text)
    names = [name for name, crc in CRCS.items() if width and crc.width == int(width[1])]
    near = None if names else context.faults.nearest(found.text, PROFILES)
    known = names or [*E2E, *SUMS, "a CRC such as CRC-8/SAE-J1850"]
    hint = context.faults.ending(near, known)
    context.faults.add(found.place, f"{shown(found.text)} is not a profile of checksums{hint}")
    return None


SIGNAL = Key("signal", signal)
POSITION = Key("position", one_or_list(_BYTE_NUMBER, "byte numbers"))
PROFILE = Key("profile", _profile)
DATA_IDS = Key("data_id", one_or_list(integer(0, 2**32 - 1), "data identifiers"))
DATA_ID_MODE = Key("data_id_mode", word("a way to take the data identifier in", PROFILES["E2E P01"].modes))
WIDTH = Key("width", integer(4, 64))
POLYNOMIAL = Key("polynomial", _WIDE)
INITIAL = Key("initial", _WIDE)
REFLECTED = Key("reflected", yes_no)
FINAL_XOR = Key("final_xor", _WIDE)
ORDER = Key("order", list_of(word("what goes into a checksum", INPUTS), "words", 1, 12))
BYTES = Key("bytes", list_of(_BYTE_NUMBER, "byte numbers, first and last", 2, 2))
PAGE = Key("page", text)
CHECKSUM = Section(
    "a checksum",
    (
        SIGNAL, POSITION, PROFILE, DATA_IDS, DATA_ID_MODE, WIDTH, POLYNOMIAL, INITIAL, REFLECTED, FINAL_XOR,
        ORDER, BYTES, PAGE,
    ),
)  # fmt: skip
_NUMBERS = (POLYNOMIAL, INITIAL, FINAL_XOR)
_OF_CRC = (WIDTH, POLYNOMIAL, REFLECTED)
_OF_SUM = (INITIAL, FINAL_XOR)


def checksum(node: Node, context: Context) -> ChecksumRule | None:
    """Read a checksum; None where a mistake leaves open what it is."""
    values = CHECKSUM(node, context)
    if values is None:
        return None
    return _Reading(values, context).rule()


class _Reading:
    """One checksum while it is read; notes what is wrong with it."""

    def __init__(self, values: SectionValues, context: Context) -> None:
        self._values = values
        self._context = context
        self._message = context.message
        self._needs_counter = False
        self._good = not values.lost and all(values.read.get(name) is not None for name in values.nodes)

    def rule(self) -> ChecksumRule | None:
        """Return what is promised."""
        found = self._place()
        method = self._method(found)
        if not self._good or method is None or self._message is None:
            return None
        data_id = self._values.get(DATA_IDS) or ()
        position = self._values.get(POSITION) or ()
        method = self._with_order(method, data_id)
        self._fits(method, found, position)
        if not self._covers(self._message):
            return None
        covered = self._values.get(BYTES)
        return ChecksumRule(
            method=method,
            profile=self._values.get(PROFILE) or "",
            signal=found.ref if found else None,
            position=position,
            data_id=data_id,
            bytes=(covered[0], covered[1]) if covered else None,
            page=self._values.get(PAGE) or "",
            line=self._values.place.line,
            needs_counter=self._needs_counter,
        )

    def _fault(self, key: Key[object], text: str) -> None:
        self._context.faults.add(self._values.place_of(key), text)
        self._good = False

    def _place(self) -> FoundSignal | None:
        """Return the signal, and see that there is a place."""
        values, found = self._values, self._values.get(SIGNAL)
        if values.has(SIGNAL) == values.has(POSITION) and not values.lost:
            self._fault(POSITION, "A checksum needs either a `signal` or a `position`, and not both.")
        about = self._message
        if found and about and (found.bus, found.message.name) != (about.bus, about.message.name):
            self._fault(SIGNAL, f"{found.text} is not a signal of {about.message.name}.")
        return found

    def _method(self, found: FoundSignal | None) -> ChecksumMethod | None:
        """Return how it is worked out: as the profile says, or the parameters."""
        values, name = self._values, self._values.get(PROFILE)
        if not values.has(PROFILE):
            return self._free(found)
        if name is None:
            return None
        method = PROFILES[name]
        own = (*_OF_CRC, *(() if name in SUMS and not method.is_profile else _OF_SUM))
        self._refuse((*own, *((ORDER,) if method.is_profile else ())), f"`{name}` says that itself")
        if method.is_profile:
            self._count_data_ids(name, method)
        mode = values.get(DATA_ID_MODE)
        if values.has(DATA_ID_MODE) and not method.modes:
            self._refuse((DATA_ID_MODE,), f"`{name}` has only one")
        elif mode and mode not in method.modes:
            self._fault(DATA_ID_MODE, f"`{name}` has no mode `{mode}`; it has {listed(method.modes, 'and')}.")
        elif mode:
            method = method.in_mode(mode)
        self._narrow(method.width)
        return replace(
            method,
            initial=values.get(INITIAL) or method.initial,
            final_xor=values.get(FINAL_XOR) or method.final_xor,
        )

    def _free(self, found: FoundSignal | None) -> ChecksumMethod | None:
        """Return the CRC that the parameters describe."""
        values = self._values
        if not values.has(POLYNOMIAL):
            if not values.lost:
                self._fault(PROFILE, "A checksum needs its `profile`, or the `polynomial` of its CRC.")
            return None
        self._refuse((DATA_ID_MODE,), "only the profiles E2E P01 and E2E P11 have one")
        width = values.get(WIDTH) or (found.signal.bits if found else 8 * len(values.get(POSITION) or ()))
        if not 4 <= width <= 64:
            self._good = False
            return None
        self._narrow(width)
        crc = CrcParameters(
            width=width,
            polynomial=values.get(POLYNOMIAL) or 0,
            initial=values.get(INITIAL) or 0,
            reflected=bool(values.get(REFLECTED)),
            final_xor=values.get(FINAL_XOR) or 0,
        )
        return crc_method(crc)

    def _narrow(self, width: int) -> None:
        for key in _NUMBERS:
            number = self._values.get(key)
            if number is not None and number >> width:
                self._fault(key, f"`{key.name}` has more than the {width} bits of the checksum.")

    def _refuse(self, keys: tuple[Key[object], ...], why: str) -> None:
        for key in keys:
            if self._values.has(key):
                self._fault(key, f"Leave out `{key.name}`: {why}.")

    def _count_data_ids(self, name: str, method: ChecksumMethod) -> None:
        given = self._values.get(DATA_IDS) or ()
        if self._values.has(DATA_IDS) and not given:
            return
        if len(given) != method.data_ids:
            needs = {0: "no `data_id`", 1: "one `data_id`"}.get(
                method.data_ids or 0, f"a list of {method.data_ids} `data_id`, one for each counter"
            )
            self._fault(DATA_IDS, f"`{name}` needs {needs}, and here {_are(len(given))}.")
        elif any(one >> method.data_id_bits for one in given):
            self._fault(DATA_IDS, f"A `data_id` of `{name}` has at most {method.data_id_bits} bits.")

    def _with_order(self, method: ChecksumMethod, data_id: tuple[int, ...]) -> ChecksumMethod:
        """Return it with what goes into it, in order."""
        if method.is_profile:
            return method
        order = self._values.get(ORDER) or ((PAYLOAD, DATA_ID) if data_id else method.order)
        if len(data_id) > 1:
            self._fault(DATA_IDS, "A list of data identifiers is for the profiles E2E P02 and E2E P22.")
        elif data_id and not _OF_DATA_ID & set(order):
            self._fault(ORDER, "Nothing in `order` takes the `data_id` in.")
        elif not data_id and _OF_DATA_ID & set(order):
            self._fault(ORDER, "`order` takes in a data identifier, and there is no `data_id`.")
        if data_id and {DATA_ID_LOW, DATA_ID_HIGH} & set(order) and data_id[0] >> 16:
            self._fault(DATA_IDS, "A `data_id` of which the low and the high byte go in has at most 16 bits.")
        return replace(method, order=order)

    def _fits(self, method: ChecksumMethod, found: FoundSignal | None, position: tuple[int, ...]) -> None:
        """See that the place is as wide as the checksum, and what a profile sends is within the message."""
        bits = found.signal.bits if found else 8 * len(position)
        wanted = method.width if found else (method.width + 7) // 8 * 8
        if bits != wanted:
            where = found.text if found else "`position`"
            self._fault(
                SIGNAL if found else POSITION, f"{where} has {bits} bits, the checksum {method.width}."
            )
        elif len(set(position)) < len(position):
            self._fault(POSITION, "`position` names a byte twice.")
        elif method.is_profile:
            self._header(method, found, position)

    def _header(self, method: ChecksumMethod, found: FoundSignal | None, position: tuple[int, ...]) -> None:
        key = SIGNAL if found else POSITION
        first, little_endian, whole = _stands(found, position)
        if method.little_endian is not None and (little_endian != method.little_endian or not whole):
            first_in = "low" if method.little_endian else "high"
            self._fault(key, f"The checksum of this profile stands {first_in} byte first, in whole bytes.")
            return
        length = self._message.message.length if self._message else 0

        def beyond(sent: HeaderField | None) -> bool:
            return sent is not None and not 0 <= first + sent.byte <= length - max(sent.bits // 8, 1)

        self._needs_counter = ALTERNATING in method.order and beyond(method.counter)
        by_counter = method.counter if OF_COUNTER in method.order else None
        if any(beyond(sent) for sent in (method.sent_length, method.sent_data_id, by_counter)):
            text = f"With its checksum at byte {first} this profile does not fit into the message."
            self._fault(key, text)

    def _covers(self, message: FoundMessage) -> bool:
        """See that what it covers is within the message, and the position too; tell whether all is well."""
        for key in (BYTES, POSITION):
            for byte in self._values.get(key) or ():
                if byte >= message.message.length:
                    bytes_ = times(message.message.length, "byte")
                    self._fault(key, f"{message.message.name} has {bytes_} and no byte {byte}.")
                    break
        return self._good


def _are(count: int) -> str:
    return f"there {'is' if count == 1 else 'are'} {count or 'none'}"


def _stands(found: FoundSignal | None, position: tuple[int, ...]) -> tuple[int, bool, bool]:
    """Return the first byte of a checksum, whether it stands low byte first, and whether in whole bytes."""
    if found is None:
        step = position[-1] - position[0]
        run = sorted(position) == list(range(min(position), max(position) + 1))
        in_order = list(position) in (sorted(position), sorted(position, reverse=True))
        return min(position), step < 0, run and in_order
    big, start = found.signal.big_endian, found.signal.start_bit
    whole = start % 8 == (7 if big else 0) and found.signal.bits % 8 == 0
    return start // 8, not big, whole
