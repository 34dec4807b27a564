"""0. What of a DBC is not read, as it is garbled or says what cannot be, and what that leaves unclear.

In come statements and their survey. Out go the messages, signals and labels that are left out, each with a
repair, so that the rest can be read and a spec that uses them can be told why it cannot.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from canmap.mapping.description.dbcstatements import NEEDED, SHAPES, Statement
from canmap.mapping.description.dbcsurvey import LOST, UNCLEAR, Survey
from canmap.mapping.description.numbers import written_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.description.dbcsurvey import Sketch
    from canmap.mapping.description.repairs import Repair, RepairList

LARGEST_SELECTION = 1 << 16  # values of a selector, for one signal
MOST_SELECTED = 1 << 20  # for all; the library lists every one
CYCLE_TIME = "GenMsgCycleTime"
ATTRIBUTES = (CYCLE_TIME, "SystemMessageLongSymbol", "SystemSignalLongSymbol", "SystemNodeLongSymbol")
_FLOAT_BITS = {"1": (16, 32), "2": (64,)}
_TYPED_BITS = (16, 32, 64)  # of which another type than a whole number may be meant
_HEAD = re.compile(r"[A-Z_]++(?:\s++(?P<id>\d++)(?:\s++(?P<signal>\w++))?)?")
_SIGNAL_NAME = re.compile(r"SG_\s++(\w++)")
_RANGE = re.compile(r"(\d++)[^\d,]++(\d++)")
_PLAIN_NUMBER = re.compile(r'[-+]?[\d.]+(?:[eE][-+]?\d+)?|"\d{1,15}"')
_WHAT = {
    "VAL_": "the labels",
    "SIG_VALTYPE_": "the type",
    "SG_MUL_VAL_": "the multiplexer values",
    "BO_TX_BU_": "the senders",
    "BA_": "an attribute",
    "BA_DEF_DEF_": "the default of an attribute",
}


class Losses:
    """What is left out of a DBC.

    Attributes:
        left_out: Messages by name, and signals as "Message.Signal", each by short and by long name.
        signals: The same signals, by the identifier of their message that is meant, and short name.
        statements: Where statements start that are left out whole.
        unlabelled: Signals, likewise, whose labels are left out.
        unselected: Signals, likewise, of which it is not clear any more which signal selects them.
    """

    def __init__(self, text: str, statements: list[Statement], survey: Survey, repairs: RepairList) -> None:
        """Find what is to be left out of a text, and tell it."""
        self.left_out: dict[str, Repair] = {}
        self.signals: set[tuple[int, str]] = set()
        self.statements: set[int] = set()
        self.unlabelled: dict[tuple[int, str], Repair] = {}
        self.unselected: set[tuple[int, str]] = set()
        self._text = text
        self._survey = survey
        self._tell = repairs.tell
        self._selected = 0
        self._unclear: set[tuple[str, int | None]] = set()  # of which messages any signal may be meant
        self._numbers = {survey.key(number): number for number in survey.identifiers}
        look = {
            "BO_": self._message,
            "SG_": self._signal,
            "SIG_VALTYPE_": self._type,
            "SG_MUL_VAL_": self._selection,
            "VAL_": self._labels,
            "BO_TX_BU_": self._other,
            "BA_": self._attribute,
            "BA_DEF_DEF_": self._attribute,
        }
        for one in statements:
            if one.wrong:
                self._drop(one, f"{one.wrong}; it is left out")
            elif one.keyword in NEEDED:
                look[one.keyword](one)
        self._selectors()

    def _drop(self, one: Statement, text: str) -> Repair:
        self.statements.add(one.start)
        return self._tell(one.start, text)

    def _leave_out_signal(self, message: int, name: str, repair: Repair) -> None:
        """Leave out a signal, which is known by its short name and its long one."""
        number = self._numbers.get(message, message)
        self.signals.add((message, name))
        for message_name in self._known_as(number, "", self._survey.names[message]):
            for signal_name in self._known_as(number, name, name):
                self.left_out.setdefault(f"{message_name}.{signal_name}", repair)

    def _known_as(self, number: int, signal: str, name: str) -> set[str]:
        return {name, self._survey.long_names.get((number, signal), name)}

    def _message(self, one: Statement) -> None:
        if one.start in self._survey.unsent:
            self.statements.add(one.start)
        if not (lost := self._survey.lost.get(one.start)):
            return
        repair = self._drop(one, f"message {lost.name}".rstrip() + f" {lost.why}; left out")
        if lost.name:
            for name in self._known_as(lost.number, "", lost.name):
                self.left_out.setdefault(name, repair)

    def _signal(self, one: Statement) -> None:
        owner = self._survey.owners[one.start]
        head = _SIGNAL_NAME.match(self._text, one.start, one.end)
        name = head[1] if head else ""
        what = f"signal {name}".rstrip()
        if owner == LOST:
            self.statements.add(one.start)
        elif owner == UNCLEAR:
            self._drop(one, f"{what} is not below its message; left out")
        elif not one.found:
            text = f"{what} of message {self._survey.names[owner]} cannot be read"
            repair = self._drop(one, f"{text}, expected `{SHAPES['SG_']}`; left out")
            if name:
                self._leave_out_signal(owner, name, repair)

    def _about(self, one: Statement) -> tuple[int | None, str | None]:
        """Return the identifier that is meant and the signal that a statement is about; None if not clear."""
        head = _HEAD.match(self._text, one.start, one.end)
        number, name = (head["id"], head["signal"]) if head else (None, None)
        return None if number is None else self._survey.key(written_number(number)), name

    def _type(self, one: Statement) -> None:
        """Leave out numbers of an impossible length or of a garbled type: what they are is not clear."""
        message, name = self._about(one)
        if not one.found:
            self._garbled(one, lambda sketch: sketch.bits in _TYPED_BITS)
            return
        sketch = self._survey.signals.get(message or 0, {}).get(name or "")
        kind = one.found["kind"]
        if not sketch or message is None or not name or sketch.bits in _FLOAT_BITS.get(kind, (sketch.bits,)):
            return
        if (message, name) in self.signals:
            return
        text = (
            f"signal {name} of message {self._survey.names[message]} is a floating-point number of type "
            f"{kind}, but {sketch.bits} bits long; type 1 takes 32 bits, type 2 takes 64; left out"
        )
        self._leave_out_signal(message, name, self._tell(one.start, text))

    def _selection(self, one: Statement) -> None:
        """Leave out what is selected by values that run backwards, or by too many to list them."""
        if not one.found:
            self._garbled(one, lambda sketch: bool(sketch.marker))
            return
        message, name = self._about(one)
        if message is None or not name or name not in self._survey.signals.get(message, {}):
            return
        spans = [
            written_number(last) - written_number(first) + 1
            for first, last in _RANGE.findall(one.found["ranges"])
        ]
        self._selected += min(sum(spans), LARGEST_SELECTION)
        if min(spans) >= 1 and sum(spans) <= LARGEST_SELECTION and self._selected <= MOST_SELECTED:
            return
        why = "run backwards" if min(spans) < 1 else f"are more than {LARGEST_SELECTION:,}"
        if min(spans) >= 1 and sum(spans) <= LARGEST_SELECTION:
            why = f"are, with those before, more than {MOST_SELECTED:,}"
        written = " ".join(one.found["ranges"].split())[:60]
        what = f"signal {name} of message {self._survey.names[message]}: its multiplexer values"
        text = f"{what} {written} {why}; left out"
        self._leave_out_signal(message, name, self._drop(one, text))

    def _garbled(self, one: Statement, may_be_it: Callable[[Sketch], bool]) -> None:
        """Leave out the signal that a garbled statement is about, or every one that it may be about."""
        message, name = self._about(one)
        text = f"{_WHAT[one.keyword]} {self._subject(message, name)}cannot be read"
        known = message is not None and name in self._survey.signals.get(message, {})
        which = "the signal" if known else "every signal that it may belong to"
        repair = self._drop(one, f"{text}, expected `{SHAPES[one.keyword]}`; left out with {which}")
        if message is not None and name and known:
            self._leave_out_signal(message, name, repair)
        elif (one.keyword, message) not in self._unclear:
            self._unclear.add((one.keyword, message))
            for key in self._survey.signals if message is None else (message,):
                for other, sketch in self._survey.signals.get(key, {}).items():
                    if may_be_it(sketch):
                        self._leave_out_signal(key, other, repair)

    def _subject(self, message: int | None, name: str | None) -> str:
        """Return what a statement is about, as the end of a phrase, "" where it is nothing known."""
        if message is None or message not in self._survey.names:
            return ""
        known = name in self._survey.signals[message]
        return f"of {f'signal {name} of ' if known else ''}message {self._survey.names[message]} "

    def _labels(self, one: Statement) -> None:
        if one.found:
            return
        message, name = self._about(one)
        subject = self._subject(message, name)
        repair = self._drop(one, f"the labels {subject}cannot be read, expected `{SHAPES['VAL_']}`; left out")
        if message is not None and name:
            self.unlabelled[message, name] = repair

    def _other(self, one: Statement) -> None:
        if not one.found:
            subject = self._subject(self._about(one)[0], None)
            text = f"{_WHAT[one.keyword]} {subject}cannot be read, expected `{SHAPES[one.keyword]}`; left out"
            self._drop(one, text)

    def _attribute(self, one: Statement) -> None:
        """Leave out an attribute that cannot be read, if it is one that would be."""
        body = self._text[one.start : one.end]
        name = next((name for name in ATTRIBUTES if name in body), "")
        if name and (
            not one.found or (name == CYCLE_TIME and not _PLAIN_NUMBER.fullmatch(one.found["value"]))
        ):
            shape = SHAPES[one.keyword].replace("attribute", name)
            self._drop(one, f"{_WHAT[one.keyword]} cannot be read, expected `{shape}`; left out")

    def _selectors(self) -> None:
        """See where the loss of a selector makes another one look like the only one of its message."""
        lost = set(self._survey.hidden_selector)
        lost |= {
            message for message, name in self.signals if "M" in self._survey.signals[message][name].marker
        }
        for message in lost:
            left = {
                name: sketch.marker
                for name, sketch in self._survey.signals[message].items()
                if (message, name) not in self.signals
            }
            if sum("M" in marker for marker in left.values()) == 1:
                self.unselected |= {(message, name) for name, marker in left.items() if "m" in marker}
