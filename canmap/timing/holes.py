"""What is covered of each channel, and the holes in it, from what chunks say on the way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import LONGEST_BREAK_NS

if TYPE_CHECKING:
    from collections.abc import Iterator, KeysView

    from canmap.frames.chunks import Coverage


@dataclass(frozen=True, slots=True)
class Hole:
    """A span of time in which no capture covers a channel.

    Attributes:
        channel: Which.
        start_ns: Session clock from which on it is not covered.
        end_ns: Session clock from which on it is again, or the end.
        between: Whether it is covered before and after.
    """

    channel: str
    start_ns: int
    end_ns: int
    between: bool


@dataclass(frozen=True, slots=True)
class Cover:
    """What a chunk says of one channel.

    Attributes:
        channel: Which.
        since_ns: Session clock from which on it is covered, where that is news: at first, and after a hole.
        until_ns: Session clock up to which it is.
        broken: Whether it was covered before, up to a hole.
    """

    channel: str
    since_ns: int | None
    until_ns: int
    broken: bool


class Holes:
    """Follows what chunks say of the channels.

    Attributes:
        found: The holes so far; those at the end once it is closed.
    """

    def __init__(self) -> None:
        self._until_ns: dict[str, int] = {}
        self.found: list[Hole] = []

    @property
    def channels(self) -> KeysView[str]:
        """The channels that have been covered."""
        return self._until_ns.keys()

    def until_ns(self, channel: str, now_ns: int) -> int:
        """Return the session clock up to which a channel is covered; else, that is now."""
        return self._until_ns.get(channel, now_ns)

    def take(self, coverage: tuple[Coverage, ...], start_ns: int, now_ns: int) -> Iterator[Cover]:
        """Yield what is covered now: `start_ns` is the clock at the first frame, `now_ns` after the chunk."""
        for span in coverage:
            known_ns = self._until_ns.get(span.channel)
            until_ns = now_ns if span.until_ns is None else span.until_ns
            if known_ns is None and until_ns < start_ns:
                continue  # it ended before the part of the session that is used
            before_ns = start_ns if known_ns is None else known_ns
            is_hole = span.since_ns - before_ns > LONGEST_BREAK_NS
            since_ns = max(span.since_ns, start_ns) if known_ns is None or is_hole else None
            if is_hole:
                self.found.append(Hole(span.channel, before_ns, span.since_ns, between=known_ns is not None))
            self._until_ns[span.channel] = until_ns = max(before_ns, since_ns or 0, until_ns)
            yield Cover(span.channel, since_ns, until_ns, is_hole and known_ns is not None)

    def close(self, now_ns: int) -> None:
        """Add what is not covered up to the end."""
        for channel, until_ns in self._until_ns.items():
            if now_ns - until_ns > LONGEST_BREAK_NS:
                self.found.append(Hole(channel, until_ns, now_ns, between=False))
