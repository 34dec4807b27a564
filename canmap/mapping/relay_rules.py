"""What a manual promises of a message that a gateway passes on from one bus to another."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from canmap.mapping.refs import MessageRef


class Guarded(StrEnum):
    """Whose counter and checksum a copy carries."""

    END_TO_END = "end_to_end"  # the original's: the payload is copied as it is
    OWN = "own"  # the gateway's


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayRule:
    """A message that a gateway passes on.

    Attributes:
        message: What is passed on.
        decimation: One frame in so many is.
        delay_ns: Longest time that it takes, None where not promised.
        nominal_ns: Time that it takes as a rule, None where not promised.
        protection: Whose counter and checksum the copy carries, None where the spec does not tell.
        page: Of the manual, "" where the spec does not tell.
    """

    message: MessageRef
    decimation: int = 1
    delay_ns: int | None = None
    nominal_ns: int | None = None
    protection: Guarded | None = None
    page: str = ""

    @property
    def counts_every(self) -> int:
        """Steps of the copy's counter from one frame to the next: its own counts its own frames."""
        return 1 if self.protection is Guarded.OWN else self.decimation
