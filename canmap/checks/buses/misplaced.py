"""Which channel carries the messages of which bus, told by their identifiers.

A bus is misplaced where another channel than its own carries at least half of its messages and two, more
than of any other bus, and its own at most half as many. Where a second bus listens to that other channel,
that one is misplaced as well, or none is: a bus whose messages come where it listens keeps its channel.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import listed, plural

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Setting

LEAST = 2  # messages of a bus that must be on a channel: one identifier proves nothing


class Carried:
    """Which described messages of which bus the channels carry, by the identifiers that came on them.

    Args:
        setting: The spec and its plan.
        seen: bool[slots], the messages that came where their bus listens.
        unknown: Of each channel, the identifiers (extended << 31 | id) that its bus does not know; of one
            without a bus, all of them.
    """

    def __init__(
        self, setting: Setting, seen: NDArray[np.bool_], unknown: Mapping[str, Iterable[int]]
    ) -> None:
        self._plan = plan = setting.plan
        self.homes = {bus.name: bus.channel for bus in setting.spec.buses.values()}
        self._bus = np.array([slot.bus for slot in plan.slots], np.intp)
        self._awaited = np.array(
            [
                rule.stale_after_ns is not None or slot in setting.mapped
                for slot, rule in enumerate(setting.rules[: len(plan.slots)])
            ],
            np.bool_,
        )
        for bus in range(len(plan.buses)):
            if not self._awaited[self._bus == bus].any():
                self._awaited[self._bus == bus] = True  # none has to come: any may tell
        self.messages = dict(zip(plan.buses, self._counted(np.ones(len(plan.slots), np.bool_)), strict=True))
        listening = {channel: name for name, channel in self.homes.items()}
        self.found = {
            channel: dict(zip(plan.buses, self._found(listening.get(channel), seen, keys), strict=True))
            for channel, keys in sorted(unknown.items())
        }

    def is_of(self, bus: str, keys: Sequence[int]) -> list[bool]:
        """Return of which identifiers the description of a bus knows the message."""
        return [slot >= 0 for slot in self._slots(self._plan.buses.index(bus), keys).tolist()]

    def _slots(self, bus: int, keys: Sequence[int]) -> NDArray[np.int32]:
        key = np.array(keys, np.int64)
        can_id = (key & 0x1FFF_FFFF).astype(np.uint32)
        return self._plan.slots_of(np.full(len(key), bus, np.int16), can_id, key >> 31 > 0)

    def _found(self, listening: str | None, seen: NDArray[np.bool_], unknown: Iterable[int]) -> list[int]:
        """How many messages of each bus came on a channel, which may be that of the bus `listening`."""
        came = np.zeros(len(self._bus), np.bool_)
        keys = list(unknown)
        own = None if listening is None else self._plan.buses.index(listening)
        if own is not None:
            came |= seen & (self._bus == own)
            described = [self._plan.slots[slot].message for slot in np.flatnonzero(came).tolist()]
            keys += [message.extended << 31 | message.can_id for message in described]
        for bus in range(len(self._plan.buses)):
            if bus != own and keys:
                slots = self._slots(bus, keys)
                came[slots[slots >= 0]] = True
        return self._counted(came)

    def _counted(self, came: NDArray[np.bool_]) -> list[int]:
        """How many of the messages that have to come are among some, by bus."""
        counts = np.bincount(self._bus[came & self._awaited], minlength=len(self._plan.buses))
        return [int(count) for count in counts]


@dataclass(frozen=True, slots=True)
class Misplaced:
    """The buses whose messages came on another channel than theirs; none by default.

    Attributes:
        channels: Bus to the channel that it should be given.
        homes: Bus to the channel at which it listens.
        found: Channel to bus to how many of its messages came there.
        messages: Bus to how many of its messages have to come.
    """

    channels: Mapping[str, str] = field(default_factory=dict)
    homes: Mapping[str, str] = field(default_factory=dict)
    found: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    messages: Mapping[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, carried: Carried) -> Misplaced:
        """Return the buses that what the channels carry shows to be misplaced."""
        claims = _claims(carried)
        channels = {**claims, **_displaced(claims, carried.homes)}
        in_order = {bus: channels[bus] for bus in carried.homes if bus in channels}
        return cls(in_order, carried.homes, carried.found, carried.messages)

    @property
    def count(self) -> int:
        """Messages that came on another channel."""
        return sum(self._came(bus) for bus in self.channels)

    def text(self, advise: Callable[[Mapping[str, str]], str]) -> str:
        """Return what is wrong and, in the words of `advise`, how to give the buses their channels."""
        give = f"give {advise(self.channels)}."
        if len(self.channels) == 1:
            ((bus, channel),) = self.channels.items()
            own = self.found.get(self.homes[bus])
            lacks = "which the capture does not have"
            if own is not None:
                lacks = f"which carries {own[bus] or 'none'} of its {self.messages[bus]} messages"
            return (
                f"Bus {bus} listens to channel {self.homes[bus]}, {lacks}; channel {channel} carries "
                f"{self._came(bus)} of the {self.messages[bus]} messages of {bus}: {give}"
            )
        homes = {self.homes[bus] for bus in self.channels}
        if homes == set(self.channels.values()) and all(map(self._came, self.channels)):
            head = f"Channels {listed(sorted(homes), 'and')} look swapped"
        else:
            head = f"The channels of buses {listed(self.channels, 'and')} look misnamed"
        first, *others = (
            (channel, f"{self._came(bus) or 'none'} of the {self.messages[bus]}", bus)
            for bus, channel in self.channels.items()
        )
        channel, share, bus = first
        messages = plural(self.messages[bus], "message")
        parts = [f"channel {channel} carries {share} {messages} of bus {bus}"]
        parts += [f"channel {channel} {share} of bus {bus}" for channel, share, bus in others]
        return f"{head}: {', '.join(parts)}: {give}"

    def _came(self, bus: str) -> int:
        return self.found.get(self.channels[bus], {}).get(bus, 0)


def _claims(carried: Carried) -> dict[str, str]:
    """Return the buses that another channel carries more of, with that channel."""
    listening = {channel: bus for bus, channel in carried.homes.items()}
    claims = {}
    for bus, home in carried.homes.items():
        others = [channel for channel in carried.found if channel != home]
        best = max(others, key=lambda channel: carried.found[channel][bus], default=None)
        if best is not None and _is_claimed(bus, best, carried):
            claims[bus] = best
    while True:
        allowed = {
            bus: channel
            for bus, channel in claims.items()
            if not _is_at_home(listening.get(channel), claims, carried)
        }
        if allowed == claims:
            return claims
        claims = allowed


def _is_claimed(bus: str, channel: str, carried: Carried) -> bool:
    """Tell whether a channel carries what a bus should, and carries it for no other bus."""
    came = carried.found[channel][bus]
    at_home = carried.found.get(carried.homes[bus], {}).get(bus, 0)
    rivals = (count for other, count in carried.found[channel].items() if other != bus)
    enough = came >= LEAST and 2 * came >= carried.messages[bus]
    return enough and came > max(rivals, default=0) and 2 * at_home <= came


def _is_at_home(bus: str | None, claims: Mapping[str, str], carried: Carried) -> bool:
    """Tell whether there is a bus at a channel that does not look for another."""
    if bus is None or bus in claims:
        return False
    came = carried.found[carried.homes[bus]][bus]
    return came > 0 and 2 * came >= carried.messages[bus]


def _displaced(claims: Mapping[str, str], homes: Mapping[str, str]) -> dict[str, str]:
    """Return the buses that lose their channel without a claim, with the channel that is left for each."""
    claimant = {channel: bus for bus, channel in claims.items()}
    displaced = {}
    for bus, home in homes.items():
        if bus not in claims and home in claimant:
            free = home
            while free in claimant:
                free = homes[claimant[free]]
            displaced[bus] = free
    return displaced
