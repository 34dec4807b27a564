"""0. What a description says twice: of two messages or signals of one name, neither is read.

In come the messages of a description and the lines on which they are written. Out go those that are read, and
a repair for each that is not: which of two is meant is not clear.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.description.repairs import Repair

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence

    from canmap.mapping.description.dbctext import MessageLine
    from canmap.mapping.description.description import DescribedMessage

_LONGEST_PERIOD_NS = 7 * 86_400 * 10**9


@dataclass(slots=True)
class Sorted:
    """What is read of a description, and what is not.

    Attributes:
        messages: Those that are read.
        repairs: All of them.
        left_out: By name, "Message" or "Message.Signal".
    """

    messages: list[DescribedMessage] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    left_out: dict[str, Repair] = field(default_factory=dict)

    def leave_out(self, name: str, line: int, text: str) -> None:
        """Note that something is left out; the first of two of one name stands for both."""
        repair = Repair(line, f"{text}; which one is meant is unclear, so neither is read.")
        self.repairs.append(repair)
        self.left_out.setdefault(name, repair)


def without_repeats(
    messages: Sequence[DescribedMessage],
    written: Sequence[MessageLine | None],
    left_out: Mapping[str, Repair],
) -> Sorted:
    """Sort out of `messages` what stands there more than once.

    Args:
        messages: All of them.
        written: Where each is written, None where that is not known.
        left_out: Messages that are left out already; one of the same name is left out too.
    """
    done = Sorted()
    lines = [place.line if place else 0 for place in written]
    taken = [(name, repair.line) for name, repair in left_out.items()]
    name_lines = [*lines, *(line for _, line in taken)]
    names = _repeats([*(message.name for message in messages), *(name for name, _ in taken)])
    identifiers = _repeats([(message.can_id, message.extended) for message in messages])
    for index, message in enumerate(messages):
        what = f"message {message.name} (identifier 0x{message.can_id:X}) has the"
        if (other := identifiers.get(index)) is not None:
            text = f"{what} identifier of message {messages[other].name}{_at(lines[other])}"
            done.leave_out(message.name, lines[index], text)
        elif (other := names.get(index)) is not None:
            text = f"{what} name of another message{_at(name_lines[other])}"
            done.leave_out(message.name, lines[index], text)
        else:
            done.messages.append(_message(message, lines[index], done))
    return done


def _message(message: DescribedMessage, line: int, done: Sorted) -> DescribedMessage:
    """Return a message without what cannot be: a period over a week, two signals of one name."""
    if (message.period_ns or 0) > _LONGEST_PERIOD_NS:
        text = f"the cycle time of message {message.name} is more than a week; it is not read."
        done.repairs.append(Repair(line, text))
        message = replace(message, period_ns=None)
    repeats = _repeats([signal.name for signal in message.signals])
    for index, other in repeats.items():
        signal = message.signals[index]
        text = f"signal {signal.name} of message {message.name} has the name of another signal"
        where = _at(message.signals[other].line)
        done.leave_out(f"{message.name}.{signal.name}", signal.line, f"{text}{where}")
    kept = tuple(signal for index, signal in enumerate(message.signals) if index not in repeats)
    return replace(message, signals=kept) if repeats else message


def _repeats(keys: Iterable[Hashable]) -> dict[int, int]:
    """Return the index of each of `keys` that is there more than once, to that of another one like it."""
    where: dict[Hashable, list[int]] = {}
    for index, key in enumerate(keys):
        where.setdefault(key, []).append(index)
    return dict(_pairs(where.values()))


def _pairs(alike: Iterable[list[int]]) -> Iterator[tuple[int, int]]:
    for group in alike:
        if len(group) > 1:
            yield group[0], group[1]
            yield from ((later, group[0]) for later in group[1:])


def _at(line: int) -> str:
    return f" (line {line})" if line else ""
