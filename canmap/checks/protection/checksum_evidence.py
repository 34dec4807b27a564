"""What the different payloads of a message say of its checksum: that the spec has it right, or what is wrong.

A payload that comes again and again says no more than once. So a sample of different payloads is kept, the
same however the stream is cut: those with the smallest hashes of all that came.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.distinct import first_of_each
from canmap.base.words import listed
from canmap.payload.checksums import sum_of
from canmap.vocabulary.checksum_profiles import DATA_ID, IDENTIFIER, LENGTH

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.payload.protection import Protection, Verdict

SAMPLED = 512  # different payloads of a message
LEAST_FOR_WRONG = 200  # of them, before a spec is called wrong
LEAST_FOR_RIGHT = 20  # of them with the right checksum, before a spec is confirmed
BY_CHANCE = 1e-3  # how unlikely as many right checksums may be by chance, and still be chance
NO_CHANCE = 1e-6  # how unlikely they have to be, to be none
_MOSTLY = 0.9  # of the wrong ones that are explained in one way
_CACHE_BITS = 12
_CACHED = np.uint64((1 << _CACHE_BITS) - 1)
_PLACES = (np.uint64(0), np.uint64(12))  # the bits of a hash that tell its place in each table
_PRIME = np.uint64(0x9E37_79B9_7F4A_7C15)  # 2**64 over the golden ratio, common practice in hashing
_SHIFT = np.uint64(29)
_ALL = np.uint64(2**64 - 1)


def hashes(
    payload: NDArray[np.uint8], length: NDArray[np.uint8], most: int, can_id: NDArray[np.uint32] | None
) -> NDArray[np.uint64]:
    """Return a hash of what is sent, uint64[n]: of payloads of up to 8 bytes one of its own for each.

    Args:
        payload: uint8[n, 8 or 64], zero beyond the length; the width makes no difference.
        length: uint8[n].
        most: Bytes of the payload that matter.
        can_id: uint32[n], where it matters too.
    """
    words = np.ascontiguousarray(payload).view("<u8").astype(np.uint64, copy=False)
    mixed = length.astype(np.uint64)
    if can_id is not None:
        mixed |= can_id.astype(np.uint64) << np.uint64(8)
    mixed = mixed * _PRIME
    for word in range((most + 7) // 8):
        if word < words.shape[1]:
            mixed = mixed ^ words[:, word]
        mixed = mixed * _PRIME
        mixed ^= mixed >> _SHIFT
    return mixed * _PRIME


@dataclass(frozen=True, slots=True)
class ChecksumOutcome:
    """What is known of the checksum of a message.

    Attributes:
        frames: Frames that have one.
        wrong: Those that have a wrong one.
        different_payloads: Different payloads among them, at most `SAMPLED`.
        passed: Those of them with the right checksum.
        confirmed: The spec is right: so many of them have the right checksum that it is no chance.
    """

    frames: int
    wrong: int
    different_payloads: int
    passed: int
    confirmed: bool


class Sampled:
    """Which payloads are in the samples, of all messages at once: those are not sorted in again.

    Args:
        messages: How many messages there are.
    """

    def __init__(self, messages: int) -> None:
        # Each hash stands at its place in one table or the other.
        self._known = [np.zeros(messages << _CACHE_BITS, np.uint64) for _ in _PLACES]
        self._limit = np.full(messages, _ALL)

    def unknown(self, hashed: NDArray[np.uint64], message: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return which hashes, uint64[n], may be new in the sample of their message, intp[n]; intp[k]."""
        rows = np.flatnonzero(hashed <= self._limit.take(message))
        for table, shift in zip(self._known, _PLACES, strict=True):
            small = hashed[rows]
            rows = rows[table.take(self._places(small, message[rows], shift)) != small]
        return rows

    def note(self, samples: Mapping[int, NDArray[np.uint64]]) -> None:
        """Note the hashes of the samples of some messages, each ascending."""
        left = np.concatenate(list(samples.values()))
        message = np.array(list(samples), np.intp).repeat([len(sample) for sample in samples.values()])
        for table, shift in zip(self._known, _PLACES, strict=True):
            place = self._places(left, message, shift)
            table[place] = left
            beaten = table.take(place) != left
            left, message = left[beaten], message[beaten]
        for number, sample in samples.items():
            if len(sample) == SAMPLED:
                self._limit[number] = sample[-1]

    def _places(
        self, hashed: NDArray[np.uint64], message: NDArray[np.intp], shift: np.uint64
    ) -> NDArray[np.intp]:
        return (hashed >> shift & _CACHED).view(np.int64) + (message << _CACHE_BITS)


class Tried(NamedTuple):
    """What the checksums of different payloads came to.

    Attributes:
        right: bool[n], which are right.
        xor: uint64[n], what came and what was expected, mixed.
        less: uint64[n], and subtracted, in the bits of the checksum.
        size: uint8[n], payload bytes of each.
    """

    right: NDArray[np.bool_]
    xor: NDArray[np.uint64]
    less: NDArray[np.uint64]
    size: NDArray[np.uint8]

    @classmethod
    def of(
        cls,
        verdict: Verdict,
        length: NDArray[np.uint8],
        masks: NDArray[np.uint64],
        rows: NDArray[np.intp],
    ) -> Tried:
        """Return what some frames, intp[k], came to; `masks`, uint64[k], are the bits of their checksums."""
        came, expected = verdict.came[rows], verdict.expected[rows]
        return cls(verdict.right[rows], came ^ expected, (came - expected) & masks, length[rows])

    def part(self, rows: slice | NDArray[np.intp]) -> Tried:
        """Return some of them."""
        return Tried(self.right[rows], self.xor[rows], self.less[rows], self.size[rows])

    def with_more(self, other: Tried) -> Tried:
        """Return these and others after them."""
        return Tried(
            np.concatenate([self.right, other.right]),
            np.concatenate([self.xor, other.xor]),
            np.concatenate([self.less, other.less]),
            np.concatenate([self.size, other.size]),
        )


_NOTHING_TRIED = Tried(
    np.zeros(0, np.bool_), np.zeros(0, np.uint64), np.zeros(0, np.uint64), np.zeros(0, np.uint8)
)


class ChecksumEvidence:
    """The evidence about the checksum of one message.

    Attributes:
        frames: Frames that have one, so far.
        wrong: Those that have a wrong one.
    """

    def __init__(self, protection: Protection) -> None:
        self._protection = protection
        self.frames = 0
        self.wrong = 0
        self._after = 0  # wrong ones that another frame came before
        self._matched = 0  # those that are right with the counter of the frame before
        self._hash = np.zeros(0, np.uint64)
        self._tried = _NOTHING_TRIED  # of each

    def add(self, frames: int, wrong: int) -> None:
        """Count frames that have a checksum, and those that have a wrong one."""
        self.frames += frames
        self.wrong += wrong

    def sample(self, hashed: NDArray[np.uint64], tried: Tried) -> NDArray[np.uint64]:
        """Take into the sample what of some frames belongs there; return the hashes of all of it, ascending.

        Args:
            hashed: uint64[n], of frames with a checksum.
            tried: What these came to.
        """
        both = np.concatenate([self._hash, hashed])
        kept = first_of_each(both)[:SAMPLED]
        self._hash, self._tried = both[kept], self._tried.with_more(tried).part(kept)
        return self._hash

    def add_previous(self, wrong: int, matched: int) -> None:
        """Take in how many wrong frames came after another, and how many of them are right by its counter."""
        self._after += wrong
        self._matched += matched

    @property
    def outcome(self) -> ChecksumOutcome:
        """What is known."""
        passed = int(np.count_nonzero(self._tried.right))
        likely = self._by_chance(passed)
        confirmed = passed >= LEAST_FOR_RIGHT and likely < NO_CHANCE
        return ChecksumOutcome(self.frames, self.wrong, len(self._hash), passed, confirmed)

    @property
    def only_by_chance(self) -> bool:
        """Whether no more payloads are right than by chance, of enough to judge by."""
        passed = int(np.count_nonzero(self._tried.right))
        return len(self._hash) >= LEAST_FOR_RIGHT and self._by_chance(passed) > BY_CHANCE

    @property
    def spec_is_wrong(self) -> bool:
        """Whether so many different payloads have the right checksum as by chance."""
        return len(self._hash) >= LEAST_FOR_WRONG and self.only_by_chance

    @property
    def difference(self) -> int | None:
        """By what all wrong checksums differ from what is expected; None where that varies.

        Sums are subtracted, those that are inverted as they were before; all others are mixed.
        """
        less = self._less
        if less is None:
            return self._the_same(self._tried.xor)
        return -less & self._all if self.is_inverted else less

    @property
    def is_inverted(self) -> bool:
        """Whether the difference is one of sums before they are inverted."""
        return bool(self._protection.method.final_xor) and self._less is not None

    def _the_same(self, column: NDArray[np.uint64]) -> int | None:
        """Return what all wrong ones have alike in a column; None where it varies, or they are few."""
        of_wrong = column[~self._tried.right]
        if len(of_wrong) < LEAST_FOR_RIGHT or (of_wrong != of_wrong[0]).any():
            return None
        return int(of_wrong[0])

    @property
    def _less(self) -> int | None:
        """By how much more all wrong sums came than is expected; None where that varies, or for no sum."""
        return self._the_same(self._tried.less) if self._may_add else None

    @property
    def _may_add(self) -> bool:
        """Whether it is a sum, plain or inverted."""
        method = self._protection.method
        is_sum = method.crc is None and not method.exclusive and not method.fold
        return is_sum and method.final_xor in {0, self._all}

    @property
    def _all(self) -> int:
        return int((1 << self._protection.method.width) - 1)

    @property
    def by_previous_counter(self) -> bool:
        """Whether the wrong checksums are right with the counter of the frame before."""
        wrong = int(np.count_nonzero(~self._tried.right))
        return wrong >= LEAST_FOR_RIGHT and self._matched >= max(_MOSTLY * self._after, LEAST_FOR_RIGHT)

    @property
    def likely(self) -> tuple[str, ...]:
        """The keys of the spec that a constant difference points to."""
        difference, method = self.difference, self._protection.method
        if difference is None:
            return ()
        if method.is_profile:
            mode = ("data_id_mode",) if method.modes else ()
            return ("data_id", *mode) if method.data_ids else ()
        missing = self._left_out(difference)
        if self._may_add:
            return ("final_xor",) if self._less is None else missing or ("initial", "data_id")
        if missing:
            return missing
        lengths = len(np.unique(self._tried.size[~self._tried.right]))
        last = method.order[-1].startswith(DATA_ID)
        if lengths > 1 and not method.exclusive:  # it goes in where the length no longer matters
            return ("final_xor", *(("data_id",) if last else ()))
        return ("initial", "final_xor", "data_id")

    def _left_out(self, difference: int) -> tuple[str, ...]:
        """Return what, taken into a sum, makes up the difference: ("order",) and what it lacks."""
        protection = self._protection
        if protection.method.crc is not None or len(np.unique(self._tried.size[~self._tried.right])) != 1:
            return ()
        size = int(self._tried.size[~self._tried.right][0])
        parts = {IDENTIFIER: [*protection.identifier], LENGTH: [size]}
        lacking = [name for name in parts if name not in protection.method.order]
        for names in ([IDENTIFIER], [LENGTH], [IDENTIFIER, LENGTH]):
            if set(names) <= set(lacking):
                inputs = [byte for name in names for byte in parts[name]]
                plain = sum_of(protection.method.plain_sum, inputs, 1)
                if difference and int(plain[0]) == difference:
                    return ("order", *names)
        return ()

    def _by_chance(self, passed: int) -> float:
        """Return how likely at least so many right checksums of the sample are by chance."""
        return chance_of(passed, len(self._hash), 2.0**-self._protection.method.strength)


@cache
def chance_of(least: int, tries: int, share: float) -> float:
    """Return how likely at least so many of some tries succeed, each by a chance of `share` (binomial)."""
    exactly, fewer = (1.0 - share) ** tries, 0.0
    for successes in range(least):
        fewer += exactly
        exactly *= (tries - successes) / (successes + 1) * share / (1.0 - share)
    return max(1.0 - fewer, 0.0)


def advice(evidence: ChecksumEvidence) -> tuple[str, dict[str, str | tuple[str, ...]]]:
    """Return what the evidence says is wrong in the spec, as the end of a sentence, and its facts."""
    if evidence.by_previous_counter:
        text = "each is right with the counter of the frame before, so that the sender works it out too early"
        return text, {"likely": ("counter of the frame before",)}
    difference = evidence.difference
    if difference is None:
        return "", {}
    if not difference:
        return "the checksum is right, but the `data_id` or the length that is sent is not", {
            "likely": ("data_id", "length")
        }
    hexadecimal, likely = f"0x{difference:02X}", evidence.likely
    facts: dict[str, str | tuple[str, ...]] = {"differs_by": hexadecimal}
    text = f"each differs by {hexadecimal} from what the spec gives"
    text += ", before it is inverted" if evidence.is_inverted else ""
    if not likely:
        return text, facts
    facts["likely"] = likely
    if likely[0] == "order":
        return f"{text}, which is what the {listed(likely[1:], 'and')} would add: see `order`", facts
    return f"{text}, so that {listed(f'`{key}`' for key in likely)} is likely to be wrong", facts
