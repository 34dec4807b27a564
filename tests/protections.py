"""Protections of messages that no spec describes: any method, anywhere in a payload of any length."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.mapping.manual import ChecksumRule
from canmap.mapping.model import MessageRule, Trigger
from canmap.payload.protection import Protection
from canmap.vocabulary.checksum_profiles import PROFILES, ChecksumMethod
from tests.spec_builders import message

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def protection(
    method: ChecksumMethod | str,
    length: int,
    position: Sequence[int],
    *data_id: int,
    mode: str = "",
    can_id: int = 0x100,
    extended: bool = False,
    covered: tuple[int, int] | None = None,
) -> Protection:
    """The checksum of a message of `length` bytes that stands in the bytes `position`."""
    method = PROFILES[method] if isinstance(method, str) else method
    method = method.in_mode(mode) if mode else method
    said = ChecksumRule(method=method, position=tuple(position), data_id=data_id, bytes=covered)
    made = message("Tick", can_id, length=length, extended=extended)
    rule = MessageRule("drive", made, Trigger.EVENT, None, None, False, None, 0, checksum=said)
    found = Protection.of(rule)
    assert found is not None
    return found


def bytes_of(method: ChecksumMethod | str, first: int) -> list[int]:
    """The bytes of a profile's checksum from the byte `first` on, the most significant first."""
    method = PROFILES[method] if isinstance(method, str) else method
    numbers = list(range(first, first + (method.width + 7) // 8))
    return numbers[::-1] if method.little_endian else numbers


def frames_of(*payloads: bytes) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Payloads of any length as columns, and their lengths."""
    rows: Any = np.zeros((len(payloads), max(map(len, payloads), default=8)), np.uint8)
    for row, payload in zip(rows, payloads, strict=True):
        row[: len(payload)] = np.frombuffer(payload, np.uint8)
    return rows, np.array([len(payload) for payload in payloads], np.uint8)


def passes(found: Protection, payload: bytes) -> bool:
    """Whether one frame has the right checksum."""
    return bool(found.passes(*frames_of(payload))[0])
