"""The names that the bus descriptions give: look up what a spec writes, and say what is nearest.

A message is written ``Message`` or ``bus.Message``, a signal ``Message.Signal`` or ``bus.Message.Signal``;
the bus may be left out where the message is on one bus only.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import listed
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.refs import MessageRef, SignalRef

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.mapping.description.description import (
        DescribedMessage,
        DescribedSignal,
        Description,
        DoubtfulSignal,
    )
    from canmap.mapping.reading.marks import Scalar
    from canmap.mapping.reading.mistakes import Faults

MOST_WAYS = 4  # to write a signal, that a sentence names


@dataclass(frozen=True, slots=True)
class FoundMessage:
    """A message that the spec names."""

    bus: str
    message: DescribedMessage

    @property
    def ref(self) -> MessageRef:
        """How the model names it."""
        return MessageRef(self.bus, self.message.name)

    @property
    def identity(self) -> tuple[str, ...]:
        """The same for every way to write it."""
        return self.bus, self.message.name


@dataclass(frozen=True, slots=True)
class FoundSignal:
    """A signal that the spec names."""

    bus: str
    message: DescribedMessage
    signal: DescribedSignal

    @property
    def ref(self) -> SignalRef:
        """How the engine names it."""
        return SignalRef(self.bus, self.message.name, self.signal.name)

    @property
    def identity(self) -> tuple[str, ...]:
        """The same for every way to write it."""
        return self.bus, self.message.name, self.signal.name

    @property
    def text(self) -> str:
        """How a sentence names it."""
        return f"{self.message.name}.{self.signal.name}"

    @property
    def raw_range(self) -> tuple[int, int]:
        """Its smallest and largest raw code."""
        if self.signal.signed:
            return -(1 << (self.signal.bits - 1)), (1 << (self.signal.bits - 1)) - 1
        return 0, (1 << self.signal.bits) - 1


class Names:
    """All messages and signals of the vehicle's buses.

    Attributes:
        buses: Names of all buses of the spec.
        complete: Whether there are buses, and the descriptions of all could be read.
        nodes: Nodes that send: those of the descriptions, and those that the spec adds.
    """

    def __init__(self, buses: Iterable[str], descriptions: Mapping[str, Description]) -> None:
        """Index the descriptions; a bus without one stands for any name (its fault is reported elsewhere)."""
        self.buses = tuple(buses)
        self.complete = bool(self.buses) and set(self.buses) <= set(descriptions)
        self._found: dict[str, list[FoundMessage]] = {}
        self._signals: dict[tuple[str, str], dict[str, DescribedSignal]] = {}
        self._files = {bus: description.path for bus, description in descriptions.items()}
        self._left_out = {
            (bus, name): repair.at(Path(description.path).name).rstrip(".")
            for bus, description in descriptions.items()
            for name, repair in description.left_out.items()
        }
        for bus, description in descriptions.items():
            for message in description.messages:
                self._found.setdefault(message.name, []).append(FoundMessage(bus, message))
                self._signals[bus, message.name] = {signal.name: signal for signal in message.all_signals}
        self.nodes = {
            found.message.sender
            for all_found in self._found.values()
            for found in all_found
            if found.message.sender
        }

    def file_of(self, bus: str) -> str | None:
        """Return the path of the description of a bus, None where it has none that could be read."""
        return self._files.get(bus)

    def message(self, scalar: Scalar, faults: Faults) -> FoundMessage | None:
        """Find ``Message`` or ``bus.Message``; None where `faults` says why not."""
        *bus, name = scalar.text.split(".")
        if len(bus) > 1:
            faults.add(scalar.place, f"{shown(scalar.text)} is not a message: write Message or bus.Message.")
            return None
        return self._message(scalar, bus, name, faults)

    def signal(
        self, scalar: Scalar, faults: Faults, within: FoundMessage | None = None
    ) -> FoundSignal | None:
        """Find ``Message.Signal`` or ``bus.Message.Signal``, or the bare name of a signal of `within`."""
        found = self.described_signal(scalar, faults, within)
        for doubtful in found.message.doubtful if found else ():
            if found and doubtful.signal is found.signal:
                line = found.signal.line
                where = Path(self._files[found.bus]).name + (f":{line}" if line else "")
                text = f"{found.text} is not read, because it {doubtful.why} ({where})"
                faults.add_once(scalar.place, f"{text}; {_remedy(found, doubtful)}.")
                return None
        return found

    def described_signal(
        self, scalar: Scalar, faults: Faults, within: FoundMessage | None = None
    ) -> FoundSignal | None:
        """Find a signal in the same way, even one that is doubtful and not read."""
        if scalar.text.startswith("-"):
            name = scalar.text.lstrip("- ")
            text = f"{shown(scalar.text)} is not a signal: write `{{signal: {name}, sign: -1}}` for a field."
            faults.add(scalar.place, text)
            return None
        parts = scalar.text.split(".")
        if len(parts) == 1 and within:
            found: FoundMessage | None = within
        elif len(parts) in {2, 3}:
            found = self._message(scalar, parts[:-2], parts[-2], faults)
        else:
            ways = self._ways_to_write(scalar.text)
            faults.add(scalar.place, f"{shown(scalar.text)} is not a signal: write {ways}.")
            return None
        if found is None:
            return None
        signals = self._signals[found.bus, found.message.name]
        if parts[-1] not in signals:
            name = f"{found.message.name}.{parts[-1]}"
            if why := self._left_out.get((found.bus, name)):
                faults.add_once(scalar.place, _unread(name, why))
                return None
            hint = faults.hint(parts[-1], signals)
            faults.add(scalar.place, f"{found.message.name} has no signal {shown(parts[-1])}{hint}")
            return None
        return FoundSignal(found.bus, found.message, signals[parts[-1]])

    def _ways_to_write(self, name: str) -> str:
        """How the signals of a bare name are written, or one of a few messages; else the form."""
        buses_of = Counter(message for _, message in self._signals)
        ways = [
            f"{message}.{name}" if buses_of[message] == 1 else f"{bus}.{message}.{name}"
            for (bus, message), signals in self._signals.items()
            if name in signals
        ]
        return listed(ways) if 0 < len(ways) <= MOST_WAYS else "Message.Signal"

    def has_message(self, name: str) -> bool:
        """Tell whether any bus describes a message of that name."""
        return name in self._found

    def _message(self, scalar: Scalar, bus: list[str], name: str, faults: Faults) -> FoundMessage | None:
        if bus and bus[0] not in self.buses:
            if not self.buses:  # reported where they should stand
                return None
            faults.add(scalar.place, f"There is no bus {shown(bus[0])}{faults.hint(bus[0], self.buses)}")
            return None
        found = [one for one in self._found.get(name, ()) if not bus or one.bus == bus[0]]
        if len(found) == 1:
            return found[0]
        if found:
            ways = listed(f"{one.bus}.{name}" for one in found)
            faults.add(scalar.place, f"{shown(name)} is on several buses: write {ways}.")
        else:
            self._tell_unknown(scalar, bus, name, faults)
        return None

    def _tell_unknown(self, scalar: Scalar, bus: list[str], name: str, faults: Faults) -> None:
        """Say that a message is left out of a description, or in none of them if all are known."""
        left_out = [
            why for key, why in self._left_out.items() if key[1] == name and key[0] in (bus or self.buses)
        ]
        if left_out:
            faults.add_once(scalar.place, _unread(name, left_out[0]))
        elif self.complete or (bus and bus[0] in self._files):
            known = [
                key
                for key, every in self._found.items()
                if not bus or any(one.bus == bus[0] for one in every)
            ]
            where = f" on bus {bus[0]}" if bus else ""
            hint = faults.hint(name, known)
            faults.add(scalar.place, f"No description has a message {shown(name)}{where}{hint}")


def _unread(name: str, why: str) -> str:
    return f"{shown(name)} is not read ({why}); correct that line of the description."


def _remedy(found: FoundSignal, doubtful: DoubtfulSignal) -> str:
    """Say how to put a signal right: by a correction, or where none can, in the file."""
    if not doubtful.keys:
        return "correct that line of the description, as no correction of the spec can"
    keys = ", ".join(f"{key}: ..." for key in (*doubtful.keys, "reason"))
    name = f"{found.message.name}.{doubtful.root or found.signal.name}"
    return f"correct it under `correct`, as `{name}: {{{keys}}}`"
