"""What may be wrong with a stop chain, and the sentences that say it."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum, IntEnum
from typing import TYPE_CHECKING

from canmap.base.words import listed, seconds, times
from canmap.checks.common.record_values import judged_field
from canmap.findings.finding import Kind, Place, Severity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.checks.check import Setting
    from canmap.checks.common.bit_course import BitCourse
    from canmap.checks.nodes.cut_groups import CutGroup
    from canmap.findings.episodes import Episode
    from canmap.findings.finding import Facts, Finding
    from canmap.mapping.supplied_nodes import StopChainRule

STOP_CHAIN = Kind("stop_chain", Severity.ERROR)  # unasked: a warning; in time: a note


class LateLink(Enum):
    """What does not happen in time."""

    LOOP = "loop"
    SUPPLY = "supply"
    GROUP = "group"


class StopEvent(IntEnum):
    """What happens once."""

    UNASKED = 0  # the loop opened, and no source asked
    UNASKED_AT_START = 1  # it was open from the start
    CUT = 2  # the supply was cut with the loop closed
    WORKED = 3
    BRIEF = 4  # an event tells that the loop opened, its samples do not show it, and no source asked


_WRONG = {
    StopEvent.UNASKED: "not_asked",
    StopEvent.UNASKED_AT_START: "not_asked",
    StopEvent.CUT: "supply_lost",
    StopEvent.WORKED: "in_time",
    StopEvent.BRIEF: "not_asked",
}


class StopWords:
    """Says what is found of a stop chain, and numbers what may be late in it.

    Args:
        rule: What the spec says.
        setting: Of the spec.
        sources: Who asks for a stop.
        groups: What it cuts.
    """

    def __init__(
        self,
        rule: StopChainRule,
        setting: Setting,
        sources: Sequence[BitCourse],
        groups: Sequence[CutGroup],
    ) -> None:
        self._rule, self._groups = rule, groups
        self._sources = [source.text for source in sources]
        self._late = [
            *((LateLink.LOOP, number) for number in range(len(sources))),
            (LateLink.SUPPLY, 0),
            *((LateLink.GROUP, number) for number in range(len(groups))),
        ]
        self._places = {
            name: _place(name, setting)
            for name in (
                *(source.name for source in sources),
                rule.loop,
                *([rule.supply] if rule.supply else []),
            )
        }

    def number(self, late: LateLink, number: int = 0) -> int:
        """Return the subject of what may be late: of a source, the supply, or a group."""
        return self._late.index((late, number))

    def subject(self, subject: int) -> tuple[LateLink, int]:
        """Return what a subject is."""
        return self._late[subject]

    def of_late(self, episode: Episode) -> Finding:
        """Return the finding of what was not done in time."""
        late, number = self._late[episode.subject]
        gone = seconds(episode.worst)
        facts: dict[str, str | float | tuple[str, ...]] = {"wrong": f"{late.value}_late"}
        is_ = "is" if episode.still else "was"
        if late is LateLink.LOOP:
            source = self._rule.sources[number]
            place, name = self._places[source], ".".join(source)
            text = f"The stop loop {is_} still closed {gone} after {name} asked for a stop"
            facts["source"] = name
        elif late is LateLink.SUPPLY:
            place = self._places[self._rule.supply or self._rule.loop]
            text = f"The supply {is_} still on {gone} after a stop was asked for"
            text += f", though the stop loop {is_} open"
        else:
            place, text, names = self._of_group(episode, number)
            facts |= {"group": self._groups[number].name, "nodes": names}
        text += _more(episode)
        text += f"; the supply has to be cut within {seconds(self._rule.within_ns)}"
        found = episode.finding(
            STOP_CHAIN,
            place,
            self._ended(text),
            value=episode.worst / 1e9,
            limit=self._rule.within_ns / 1e9,
        )
        return replace(found, facts=self._paged(facts, episode))

    def of_happened(self, episode: Episode) -> Finding:
        """Return the finding of what happened once."""
        what = StopEvent(episode.subject)
        facts: dict[str, str | float | tuple[str, ...]] = {"wrong": _WRONG[what]}
        severity, place = Severity.WARNING, self._places[self._rule.loop]
        value = limit = None
        sources = listed(self._sources) if self._sources else ""
        if what is StopEvent.UNASKED:
            text = f"The stop loop opened although no source asked for a stop ({sources})"
            text += (
                f"{_more(episode)}: look for a wire, a connector or a contact, or a source that is not listed"
            )
        elif what is StopEvent.BRIEF and self._rule.opened is not None:
            ref = self._rule.opened.ref
            text = (
                f"The stop loop opened for a moment, which only {ref.message}.{ref.signal} tells, although "
            )
            text += (
                f"no source asked for a stop ({sources}){_more(episode)}: look for a wire, a connector or "
            )
            text += "a contact"
            facts["told_by"] = f"{ref.message}.{ref.signal}"
        elif what is StopEvent.UNASKED_AT_START:
            text = (
                f"The stop loop was open when it was first seen, and no source asked for a stop ({sources})"
            )
            text += ": it was not reset, or look for a wire, a connector or a contact"
        elif what is StopEvent.CUT:
            severity, place = STOP_CHAIN.severity, self._places[self._rule.supply or self._rule.loop]
            text = "The supply was cut although the stop loop stayed closed"
            text += " and no source asked for a stop" if self._sources else ""
            text += f"{_more(episode)}: the relay, its fuse or its wiring failed, or it was switched off"
        else:
            severity = Severity.NOTE
            text, told = self._of_worked(episode)
            facts |= told
            value, limit = _worked_s(episode), self._rule.within_ns / 1e9
        found = episode.finding(
            STOP_CHAIN, place, self._ended(text), value=value, limit=limit, severity=severity
        )
        return replace(found, facts=self._paged(facts, episode))

    def _of_group(self, episode: Episode, number: int) -> tuple[Place, str, tuple[str, ...]]:
        group = self._groups[number]
        nodes = [node for node, count in zip(group.nodes, episode.tally, strict=True) if count]
        who = f"{listed(nodes, 'and')} of supply group {group.name}"
        how = ("sends" if len(nodes) == 1 else "send") if episode.still else "sent"
        text = f"{who} still {how} {seconds(episode.worst)} after a stop was asked for"
        text += f", though the stop loop {'is' if episode.still else 'was'} open"
        bus = next(iter(group.buses)) if len(group.buses) == 1 else None
        return Place(bus=bus), text, tuple(nodes)

    def _of_worked(self, episode: Episode) -> tuple[str, dict[str, str | float | tuple[str, ...]]]:
        if episode.more:
            return f"The stop chain worked in time{_more(episode)}", {}
        who, *times_ns = episode.tally
        names = tuple(name for number, name in enumerate(self._sources) if who >> number & 1)
        done = [f"the stop loop was open after {seconds(times_ns[0])}"]
        facts: dict[str, str | float | tuple[str, ...]] = {"sources": names, "loop_s": times_ns[0] / 1e9}
        if self._rule.supply is not None:
            done.append(f"the supply cut after {seconds(times_ns[1])}")
            facts["supply_s"] = times_ns[1] / 1e9
        if self._groups:
            groups = listed((group.name for group in self._groups), "and")
            last = f"the last frame of {groups} came after {seconds(times_ns[2])}"
            done.append(last if times_ns[2] else f"nothing more came from {groups}")
            facts["silent_s"] = times_ns[2] / 1e9
        text = f"The stop chain worked, as far as the bus tells: {listed(names, 'and')} asked for a stop, "
        return f"{text}{listed(done, 'and')}; {seconds(self._rule.within_ns)} are allowed", facts

    def _ended(self, text: str) -> str:
        return f"{text} (page {self._rule.page} of the manual)." if self._rule.page else f"{text}."

    def _paged(self, facts: dict[str, str | float | tuple[str, ...]], episode: Episode) -> Facts:
        if episode.more:
            facts["more"] = episode.more
        return {**facts, "page": self._rule.page} if self._rule.page else facts


def _worked_s(episode: Episode) -> float | None:
    return max(episode.tally[1:3]) / 1e9 if not episode.more else None


def _more(episode: Episode) -> str:
    return f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""


def _place(name: tuple[str, str], setting: Setting) -> Place:
    record = next(one for one in setting.spec.records if one.name == name[0])
    judged = judged_field(setting, record, name[1])
    return Place(record=name[0], field=name[1]) if judged is None else judged.place
