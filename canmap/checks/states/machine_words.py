"""What may be wrong with a state machine, and the sentences that say it."""

from __future__ import annotations

from dataclasses import field
from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import listed, seconds
from canmap.checks.common.needs import code_or_label, state_name, unfulfilled
from canmap.mapping.manual import EnableRule

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canmap.checks.check import Setting
    from canmap.checks.common.needs import Needs
    from canmap.findings.finding import Facts
    from canmap.mapping.manual import StateMachineRule
    from canmap.mapping.refs import SignalRef

_WORD = 64  # bits of a raw code
_MASK = (1 << _WORD) - 1


class MachineFault(StrEnum):
    """What may be wrong with a state machine."""

    NOT_LEGAL = "not_legal"
    UNMET = "conditions"
    EARLY = "too_early"
    LATE = "too_late"
    LONG = "too_long"
    ENABLE_UNMET = "enable_conditions"
    ENABLE_SHORT = "enable_too_early"
    ENABLE_IGNORED = "enable_not_followed"


@dataclass(frozen=True, slots=True)
class MachineSentence:
    """What is said of one fault, without its end.

    Attributes:
        text: The sentence, without what follows it and its full stop.
        facts: What it says, by name.
        limit_ns: The limit of the time that it is about, None for none.
        page: Of the manual, "" for that of the machine.
    """

    text: str
    facts: Facts = field(default_factory=dict)
    limit_ns: int | None = None
    page: str = ""


def packed(before: int, after: int = 0, missing: Iterable[int] = ()) -> int:
    """Return two raw codes and the numbers of conditions as one number, by which they have an order."""
    bits = sum(1 << i for i in missing)
    return bits << 2 * _WORD | (before & _MASK) << _WORD | after & _MASK


def unpacked(value: int) -> tuple[int, int, list[int]]:
    """Return the two raw codes and the numbers of conditions that were `packed`."""
    before, after = (
        code - (1 << _WORD) if code >> _WORD - 1 else code for code in (value >> _WORD & _MASK, value & _MASK)
    )
    bits = value >> 2 * _WORD
    return before, after, [i for i in range(bits.bit_length()) if bits >> i & 1]


class Sentences:
    """Says what is wrong with a machine.

    Args:
        setting: Of the machines.
        needs: Their conditions.
    """

    def __init__(self, setting: Setting, needs: Needs) -> None:
        self._setting, self._needs = setting, needs

    def of(self, rule: StateMachineRule, wrong: MachineFault, part: int, value: int) -> MachineSentence:
        """Return what is said; `part` is the number of a transition or a state, `value` what was added."""
        if wrong in {MachineFault.NOT_LEGAL, MachineFault.UNMET}:
            return self._of_change(rule, wrong, value)
        if wrong is MachineFault.LONG:
            return self._of_state(rule, part, value)
        if wrong in {MachineFault.EARLY, MachineFault.LATE}:
            return self._of_transition(rule, wrong, part, value)
        return self._of_enable(rule, wrong, value)

    def _of_change(self, rule: StateMachineRule, wrong: MachineFault, value: int) -> MachineSentence:
        before, after, missing = unpacked(value)
        ends = self._states(rule.signal, (before,)), self._states(rule.signal, (after,))
        text = f"{rule.name} went from {ends[0]} to {ends[1]}"
        facts: dict[str, str | float] = {"from": code_or_label(ends[0]), "to": code_or_label(ends[1])}
        if wrong is MachineFault.NOT_LEGAL:
            return MachineSentence(f"{text}, which is not a legal transition", facts)
        why = self._unfulfilled(missing)
        pages = [
            one.page for one in rule.transitions
            if after in one.target and (before in one.origin or not one.origin)
        ]  # fmt: skip
        return MachineSentence(
            f"{text} though {why}", facts | {"missing": why}, page=pages[0] if pages else ""
        )

    def _of_state(self, rule: StateMachineRule, state: int, lasted_ns: int) -> MachineSentence:
        name, limit_ns = self._states(rule.signal, (state,)), rule.longest_ns[state]
        text = f"{rule.name} stayed in {name} for {seconds(lasted_ns)}"
        return MachineSentence(
            f"{text}; the longest time there is {seconds(limit_ns)}",
            {"state": code_or_label(name)},
            limit_ns,
        )

    def _of_transition(
        self, rule: StateMachineRule, wrong: MachineFault, number: int, lasted_ns: int
    ) -> MachineSentence:
        one = rule.transitions[number]
        before = self._states(rule.signal, one.origin) if one.origin else "its state"
        after = self._states(rule.signal, one.target)
        facts = {"from": code_or_label(before), "to": code_or_label(after)}
        if wrong is MachineFault.EARLY:
            limit_ns = one.at_least_after_ns
            text = f"{rule.name} left {before} for {after} after {seconds(lasted_ns)}"
            text += f", and has to stay for at least {seconds(limit_ns or 0)}"
        else:
            limit_ns = one.within_ns
            since = " though its conditions held" if one.when else ""
            text = f"{rule.name} had not gone from {before} to {after} after {seconds(lasted_ns)}{since}"
            text += f", and has to within {seconds(limit_ns or 0)}"
        return MachineSentence(text, facts, limit_ns, one.page)

    def _of_enable(self, rule: StateMachineRule, wrong: MachineFault, value: int) -> MachineSentence:
        enable = rule.enable or EnableRule(signal=rule.signal)
        bit = f"{enable.signal.message}.{enable.signal.signal}"
        moved, was = ("rose", "low") if enable.edge == "rising" else ("fell", "high")
        if wrong is MachineFault.ENABLE_UNMET:
            why = self._unfulfilled(unpacked(value)[2])
            text = f"{bit} {moved}, which enables {rule.name}, though {why}"
            return MachineSentence(text, {"missing": why}, page=enable.page)
        if wrong is MachineFault.ENABLE_SHORT:
            least_ns = enable.low_for_ns or 0
            text = f"{bit} {moved} after it had been {was} for {seconds(value)}"
            text += f"; to enable {rule.name}, it has to be for {seconds(least_ns)}"
            return MachineSentence(text, limit_ns=least_ns, page=enable.page)
        state = self._states(rule.signal, unpacked(value)[:1])
        text = f"{rule.name} did not follow when {bit} {moved}: "
        text += f"it was still {state} after {seconds(enable.within_ns or 0)}"
        facts = {"state": code_or_label(state), "within_s": (enable.within_ns or 0) / 1e9}
        return MachineSentence(text, facts, page=enable.page)

    def _states(self, ref: SignalRef, codes: Sequence[int]) -> str:
        plan = self._setting.plan
        signal = plan.columns[plan.column_of[ref.bus, ref.message, ref.signal]].signal
        return listed(state_name(code, signal) for code in codes)

    def _unfulfilled(self, missing: Iterable[int]) -> str:
        return listed((unfulfilled(self._needs.wanted[i], self._setting) for i in missing), "and")
