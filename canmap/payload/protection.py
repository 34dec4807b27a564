"""Whether frames carry the right checksum, whatever it is: the checksum of one message, in columns.

`Protection.of(rule)` is the door: what the spec says of the checksum of a message becomes the bytes that go
into it, in their order, and where the result stands. Profiles that send their length or data identifier
have that looked at too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.payload.bit_places import BitPlace, BitRun
from canmap.payload.checksums import crc_of, sum_of
from canmap.payload.counters import RollingCounter
from canmap.payload.crc_by_words import CrcByWords, PayloadByte
from canmap.vocabulary import checksum_profiles as c

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.model import MessageRule
    from canmap.vocabulary.checksum_profiles import HeaderField

_LOW_BYTE = 0xFF
_BY_FRAME = {c.IDENTIFIER, c.OF_COUNTER, c.ALTERNATING}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the checksums of frames are and should be.

    Attributes:
        came: uint64[n], the checksum of each frame.
        expected: uint64[n], what it should be.
        there: bool[n], the payload is long enough for it, and a multiplexed one is in it.
        right: bool[n], it is right, and what the profile sends beside it too; False where a payload is too
            short, True where the multiplexer says that the frame has none.
        wrong: bool[n], it is there and not right.
    """

    came: NDArray[np.uint64]
    expected: NDArray[np.uint64]
    there: NDArray[np.bool_]
    right: NDArray[np.bool_]
    wrong: NDArray[np.bool_]

    @classmethod
    def joined(cls, verdicts: Sequence[Verdict]) -> Verdict:
        """Return the verdict on all frames of several, one after the other."""
        return cls(
            came=np.concatenate([one.came for one in verdicts]),
            expected=np.concatenate([one.expected for one in verdicts]),
            there=np.concatenate([one.there for one in verdicts]),
            right=np.concatenate([one.right for one in verdicts]),
            wrong=np.concatenate([one.wrong for one in verdicts]),
        )

    def part(self, rows: slice) -> Verdict:
        """Return the verdict on some of the frames."""
        return Verdict(
            self.came[rows], self.expected[rows], self.there[rows], self.right[rows], self.wrong[rows]
        )


class _OfFrame(NamedTuple):
    """A byte that goes into a checksum, and may be another for each frame.

    Attributes:
        what: A word of the profile's order.
        byte: Which byte of it.
    """

    what: str
    byte: int


class Protection:
    """The checksum of one message.

    Attributes:
        method: How it is worked out.
        place: Where it stands.
        counter: Where the counter stands, by the spec, else by the profile; None where neither tells.
        rolling: What values the profile's counter takes, None for a checksum without one.
    """

    def __init__(self, rule: MessageRule) -> None:
        """Make it of a rule with a checksum; `of` does for any rule."""
        said = rule.checksum
        if said is None:
            raise ValueError(f"{rule.name} has no checksum")
        message = rule.message
        self.method = said.method
        self._length = message.length
        self._can_id = message.can_id
        self._identifier_bytes = 4 if message.extended else 2
        self._data_id = said.data_id
        self._signals = {signal.name: signal for signal in message.signals}
        self._signal = self._signals[said.signal.signal] if said.signal else None
        self.place = (
            BitPlace.of_signal(self._signal)
            if self._signal
            else BitPlace.of_bytes(said.position, said.method.width)
        )
        self._covered = said.bytes
        self._crc = crc_of(said.method.crc) if said.method.crc else None
        order = said.method.order
        self._by_frame = bool(_BY_FRAME & {*order}) or order.count(c.PAYLOAD) > 1
        self._by_words: dict[int, CrcByWords] = {}  # by the bytes that there are of a payload
        self.counter = self._counter(rule)
        values = said.method.counter_values
        self.rolling = RollingCounter(values) if values else None

    @classmethod
    def of(cls, rule: MessageRule) -> Protection | None:
        """Return the checksum of the message that a rule is about, None where the spec promises none."""
        return cls(rule) if rule.checksum else None

    @property
    def alike(self) -> Hashable:
        """Equal for messages whose frames one of their protections may judge together."""
        if self._signal is not None and self._signal.selector is not None:
            return id(self)  # whether it is there depends on a signal of this message
        where = self.place, self.counter, self._covered, self._length, self._identifier_bytes
        return self.method, self._data_id, where

    @property
    def identifier(self) -> bytes:
        """The described identifier as a checksum takes it in, its most significant byte first."""
        return self._can_id.to_bytes(self._identifier_bytes, "big")

    def passes(
        self,
        payload: NDArray[np.uint8],
        length: NDArray[np.uint8],
        can_id: NDArray[np.uint32] | None = None,
    ) -> NDArray[np.bool_]:
        """Tell of each frame whether its checksum is right, bool[n]; see `judge`."""
        return self.judge(payload, length, can_id).right

    def judge(
        self,
        payload: NDArray[np.uint8],
        length: NDArray[np.uint8],
        can_id: NDArray[np.uint32] | None = None,
    ) -> Verdict:
        """Compare the checksums of frames of the message with what they should be.

        What is beyond the described length is padding, and not covered.

        Args:
            payload: uint8[n, width], the payloads, of any width.
            length: uint8[n], payload bytes of each.
            can_id: uint32[n], identifiers without flag bits; None: all as described.
        """
        size = np.minimum(length, min(self._length, payload.shape[1]))
        came = self.place.read(payload)
        if len(size) and size.min() == size.max():
            expected = self._expected(payload, int(size[0]), can_id)
            right = (came == expected) & self._header(payload, int(size[0]))
        else:
            expected = np.zeros(len(payload), np.uint64)
            right = np.zeros(len(payload), np.bool_)
            for one in np.flatnonzero(np.bincount(size)).tolist():
                rows = np.flatnonzero(size == one)
                some, identifiers = payload[rows], None if can_id is None else can_id[rows]
                expected[rows] = self._expected(some, one, identifiers)
                right[rows] = (came[rows] == expected[rows]) & self._header(some, one)
        fits = size >= self.place.bytes_needed
        present = self._present(payload)
        there = fits & present
        return Verdict(came, expected, there, right & fits | ~present, there & ~right)

    def expected_with_counter_of(
        self,
        payload: NDArray[np.uint8],
        other: NDArray[np.uint8],
        length: NDArray[np.uint8],
        can_id: NDArray[np.uint32] | None = None,
    ) -> NDArray[np.uint64]:
        """Return what checksums would be with the counters of other payloads, uint64[n].

        For a sender that works its checksum out before it counts on: `other` is then the frame before.
        """
        mixed = payload if self.counter is None else self.counter.taken_from(payload, other)
        return self.judge(mixed, length, can_id).expected

    def _expected(
        self, payload: NDArray[np.uint8], size: int, can_id: NDArray[np.uint32] | None
    ) -> NDArray[np.uint64]:
        if self._crc is None:
            return sum_of(self.method, self._columns(payload, size, can_id), len(payload))
        if self._by_frame or payload.shape[1] % 2:
            return self._crc.of(self._columns(payload, size, can_id), len(payload))
        if size not in self._by_words:
            inputs = [one for one in self._inputs(size) if not isinstance(one, _OfFrame)]
            self._by_words[size] = CrcByWords(self._crc, inputs)
        return self._by_words[size].of(payload)

    def _columns(
        self, payload: NDArray[np.uint8], size: int, can_id: NDArray[np.uint32] | None
    ) -> Iterator[NDArray[np.uint8] | int]:
        """Yield what goes into the checksum, in order: a byte of each frame, or one for all."""
        for one in self._inputs(size):
            if isinstance(one, PayloadByte):
                byte = payload[:, one.byte]
                yield byte if one.mask == _LOW_BYTE else byte & np.uint8(one.mask)
            elif isinstance(one, int):
                yield one
            elif one.what == c.IDENTIFIER:
                yield self._identifier_byte(can_id, one.byte)
            else:
                yield self._by_counter(payload, one.what)

    def _inputs(self, size: int) -> Iterator[PayloadByte | int | _OfFrame]:
        """Yield where what goes into the checksum of a payload of `size` bytes comes from, in order."""
        data_id = self._data_id[0] if self._data_id else 0
        for what in self.method.order:
            if what == c.PAYLOAD:
                yield from self._payload(size)
            elif what == c.IDENTIFIER:
                yield from (_OfFrame(what, byte) for byte in reversed(range(self._identifier_bytes)))
            elif what == c.LENGTH:
                yield size
            elif what == c.DATA_ID:
                yield from data_id.to_bytes(max((data_id.bit_length() + 7) // 8, 1), "little")
            elif what in {c.OF_COUNTER, c.ALTERNATING}:
                yield _OfFrame(what, 0)
            else:
                yield {c.DATA_ID_LOW: data_id & _LOW_BYTE, c.DATA_ID_HIGH: data_id >> 8, c.ZERO: 0}[what]

    def _payload(self, size: int) -> Iterator[PayloadByte]:
        """Yield the bytes of the payload; of one that the checksum is a part of, the other bits."""
        first, last = self._covered or (0, self._length - 1)
        step = 1 if first <= last else -1
        for byte in range(first, last + step, step):
            own = self.place.masks.get(byte, 0)
            if byte < size and own != _LOW_BYTE:
                yield PayloadByte(byte, _LOW_BYTE ^ own)

    def _identifier_byte(self, can_id: NDArray[np.uint32] | None, byte: int) -> NDArray[np.uint8] | int:
        if can_id is None:
            return self._can_id >> 8 * byte & _LOW_BYTE
        return (can_id >> np.uint32(8 * byte)).astype(np.uint8)

    def _by_counter(self, payload: NDArray[np.uint8], what: str) -> NDArray[np.uint8]:
        """Return the byte that the counter of each frame chooses, uint8[n]."""
        if self.counter is None:
            raise ValueError("the checksum needs a counter")
        counter = self.counter.read(payload)
        if what == c.OF_COUNTER:
            return np.array(self._data_id, np.uint8).take(counter % np.uint64(len(self._data_id)))
        data_id = self._data_id[0]
        return np.array([data_id & _LOW_BYTE, data_id >> 8], np.uint8).take(counter & np.uint64(1))

    def _header(self, payload: NDArray[np.uint8], size: int) -> NDArray[np.bool_] | np.bool_:
        """Tell whether the length and the data identifier that a profile sends are right."""
        method, right = self.method, np.True_
        wanted = []
        if method.sent_length:
            wanted.append((method.sent_length, size))
        if method.sent_data_id:
            data_id = self._data_id[0]
            wanted.append((method.sent_data_id, data_id >> 8 & 0xF if method.modes else data_id))
        for sent, number in wanted:
            place = self._sent(sent)
            if place.bytes_needed > size:
                return np.False_
            right = right & (place.read(payload) == np.uint64(number))
        return right

    def _counter(self, rule: MessageRule) -> BitPlace | None:
        """Return where the counter stands."""
        if rule.counter and rule.counter.signal.message == rule.message.name:
            signal = self._signals.get(rule.counter.signal.signal)
            if signal is not None:
                return BitPlace.of_signal(signal)
        return self._sent(self.method.counter) if self.method.counter else None

    def _sent(self, sent: HeaderField) -> BitPlace:
        return header_place(self.place, sent)

    def _present(self, payload: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Tell whether the multiplexers say that the checksum is in each payload."""
        there = np.ones(len(payload), np.bool_)
        signal = self._signal
        while signal is not None and signal.selector is not None:
            selector = self._signals[signal.selector]
            there &= _selected(signal, selector, BitPlace.of_signal(selector).read(payload))
            signal = selector
        return there


def header_place(checksum: BitPlace, sent: HeaderField) -> BitPlace:
    """Return where a profile sends something beside a checksum that stands there."""
    first = checksum.first_byte + sent.byte
    if sent.bits < 8:
        return BitPlace((BitRun(first, sent.first_bit, sent.bits, 0),))
    return BitPlace.of_bytes(range(first, first + sent.bits // 8))


def _selected(
    signal: DescribedSignal, selector: DescribedSignal, codes: NDArray[np.uint64]
) -> NDArray[np.bool_]:
    """Tell for which raw bits of its selector a signal is present."""
    wrap = (1 << selector.bits) - 1
    chosen = np.zeros(len(codes), np.bool_)
    for low, high in signal.selected_by:
        chosen |= (codes - np.uint64(low & wrap)) & np.uint64(wrap) <= np.uint64(high - low)
    return chosen
