"""Active trouble codes of J1939: those of DM1 messages (SAE J1939-73, from memory).

From byte 3 on each code has four bytes, in conversion version 4: the suspect parameter number (SPN, 19 bits),
least significant byte first, its upper 3 bits at the top of the third byte; below them the failure mode (FMI,
5 bits); then how often it occurred (7 bits) and, as top bit, the conversion method, which is 0. Where that is
1, nothing is known of the code. SPN and FMI of zeros are no code, nor are those of ones. One frame holds one
code; more than one come in packets.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.lasting import lines_at
from canmap.checks.common.long_messages import PacketReader
from canmap.checks.common.pages import on_page, paged
from canmap.checks.faults.fault_bits import FAULT_REPORTED
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Place, Severity
from canmap.findings.kinds import LOSS
from canmap.vocabulary.failure_modes import FAILURE_MODES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.long_messages import LongMessages
    from canmap.findings.episodes import Episode, Event
    from canmap.stream.view import View

_LAMPS, _BYTES = 2, 6  # bytes before the first code, and that a payload needs to hold one
_FMI_BITS, _CODE_BITS, _SOURCE_BITS = 5, 24, 8
_NO_CODES = (0, (1 << _CODE_BITS) - 1)


@dataclass(frozen=True, slots=True)
class _Codes:
    """Messages of trouble codes, and their codes.

    Attributes:
        sender: int64[m], rule << 8 | source address of each message.
        row: int64[m], place in the chunk of its frame, or of its last packet.
        of: intp[c], the message of each code.
        code: int64[c], SPN << 5 | FMI.
        occurred: int64[c], how often, as its sender counts.
        known: bool[c], it is of version 4.
    """

    sender: NDArray[np.int64]
    row: NDArray[np.int64]
    of: NDArray[np.intp]
    code: NDArray[np.int64]
    occurred: NDArray[np.int64]
    known: NDArray[np.bool_]

    @classmethod
    def of_bytes(
        cls, sender: NDArray[np.int64], row: NDArray[np.int64], of: NDArray[np.intp], held: NDArray[np.uint8]
    ) -> _Codes:
        """Take codes apart, uint8[c, 4]."""
        low, middle, mixed, last = held.astype(np.int64).T
        spn = low | middle << 8 | mixed >> _FMI_BITS << 16
        code = spn << _FMI_BITS | mixed & (1 << _FMI_BITS) - 1
        return cls(sender, row, of, code, last & 0x7F, last < 0x80)

    @classmethod
    def joined(cls, parts: list[_Codes]) -> _Codes:
        """Return the messages of all parts in the order in which they came."""
        before = np.cumsum([0, *(len(one.row) for one in parts)])
        row = np.concatenate([one.row for one in parts])
        order = np.argsort(row, kind="stable")
        place = np.empty(len(order), np.intp)
        place[order] = np.arange(len(order))
        of = np.concatenate([one.of + start for one, start in zip(parts, before[:-1], strict=True)])
        return cls(
            np.concatenate([one.sender for one in parts])[order],
            row[order],
            place[of],
            np.concatenate([one.code for one in parts]),
            np.concatenate([one.occurred for one in parts]),
            np.concatenate([one.known for one in parts]),
        )

    def sent_by(self, sender: int) -> _Codes:
        """Return those of one sender."""
        mine = self.sender == sender
        kept = mine[self.of]
        of = (mine.cumsum() - 1)[self.of[kept]]
        held = self.code[kept], self.occurred[kept], self.known[kept]
        return _Codes(self.sender[mine], self.row[mine], of, *held)


class TroubleCodes(EpisodeCheck[None]):
    """Tells every trouble code of the messages that the spec names, by the address that sends it.

    The value of a finding is how often the code had occurred, as its sender counts. A message of several
    packets that are not all there is a loss.
    """

    kinds = (FAULT_REPORTED, LOSS)

    def __init__(self, setting: Setting) -> None:
        self._rules = setting.spec.manual.trouble_codes
        self._plan = setting.plan
        self._slots = [self._plan.slot_of[rule.message.bus, rule.message.message] for rule in self._rules]
        self._ids = [self._plan.slots[slot].message.can_id for slot in self._slots]
        self._buses = {setting.spec.buses[rule.message.bus].channel: rule.message.bus for rule in self._rules}
        self._packets = PacketReader()
        self._seen: dict[int, int] = {}  # messages so far, by rule and address
        self._ended: dict[int, int] = {}  # those of several packets, whole or not
        self._episodes = Episodes(self._describe)
        self._lost = Episodes(self._describe_lost)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the messages that end in one chunk."""
        if not self._rules:
            return []
        cut = {self._buses[hole.channel] for hole in view.holes if hole.channel in self._buses}
        if cut:
            self._packets.forget({self._plan.buses.index(bus) for bus in cut})
        parts = [self._single(view, i) for i in range(len(self._rules))]
        long = self._packets.take(view)
        if long is not None:
            rule = self._rules_of(long)
            parts.append(_in_packets(long, rule))
            self._judge_lost(long, rule, view)
        codes = _Codes.joined(parts)
        for sender in np.unique(codes.sender).tolist():
            self._judge(sender, codes.sent_by(sender), view)
        return list(chain(self._episodes.events(), self._lost.events()))

    def _single(self, view: View, i: int) -> _Codes:
        """The codes of the frames that hold one each."""
        used, chunk = view.prepared.samples, view.prepared.chunk
        rows = used.rows[used.slot_start[self._slots[i]] : used.slot_start[self._slots[i] + 1]]
        rows = rows[chunk.length[rows] >= _BYTES]
        sender = i << _SOURCE_BITS | (chunk.can_id[rows] & (1 << _SOURCE_BITS) - 1).astype(np.int64)
        return _Codes.of_bytes(sender, rows, np.arange(len(rows)), chunk.payload[rows, _LAMPS:_BYTES])

    def _rules_of(self, long: LongMessages) -> NDArray[np.intp]:
        """Which rule each message of several packets is of, -1 for none."""
        found = np.full(len(long.row), -1, np.intp)
        extended = np.ones(len(long.row), np.bool_)
        for i, (slot, can_id) in enumerate(zip(self._slots, self._ids, strict=True)):
            address = long.sender & (1 << _SOURCE_BITS) - 1
            sent = (can_id & ~0xFF | address).astype(np.uint32)  # as if its address had sent it in one frame
            bus = (long.sender >> _SOURCE_BITS).astype(np.int16)
            is_it = (long.group == can_id >> _SOURCE_BITS & 0x3FFFF) & (
                self._plan.slots_of(bus, sent, extended) == slot
            )
            found[is_it] = i
        return found

    def _judge(self, sender: int, codes: _Codes, view: View) -> None:
        """Judge the messages of one sender."""
        count = len(codes.row)
        seen = self._seen.get(sender, 0)
        self._seen[sender] = seen + count
        readable = np.ones(count, np.bool_)
        readable[codes.of[~codes.known]] = False
        subjects = {sender << _CODE_BITS | one for one in np.unique(codes.code[codes.known]).tolist()}
        subjects -= {sender << _CODE_BITS | one for one in _NO_CODES}
        subjects |= {one for one in self._episodes.open_subjects if one >> _CODE_BITS == sender}
        for subject in sorted(subjects):
            mine = codes.known & (codes.code == subject & (1 << _CODE_BITS) - 1)
            faulty, occurred = np.zeros(count, np.bool_), np.zeros(count, np.int64)
            faulty[codes.of[mine]] = True
            np.maximum.at(occurred, codes.of[mine], codes.occurred[mine])

            def worst(first: int, last: int, occurred: NDArray[np.int64] = occurred) -> float:
                return int(occurred[first : last + 1].max())

            self._episodes.judge(
                subject=subject,
                seen=seen,
                faulty=faulty,
                good=readable & ~faulty,
                clock=view.clock[codes.row],
                worst=worst,
                line=lines_at(view, codes.row),
            )

    def _judge_lost(self, long: LongMessages, rule: NDArray[np.intp], view: View) -> None:
        """Judge which messages of several packets are whole."""
        sender = rule << _SOURCE_BITS | long.sender & (1 << _SOURCE_BITS) - 1
        for one in np.unique(sender[rule >= 0]).tolist():
            mine = (sender == one).nonzero()[0]
            row = long.row[mine]
            self._lost.judge(
                subject=one,
                seen=self._ended.get(one, 0),
                faulty=~long.whole[mine],
                good=long.whole[mine],
                clock=view.clock[row],
                worst=lambda _first, _last: 0,
                line=lines_at(view, row),
            )
            self._ended[one] = self._ended.get(one, 0) + len(mine)

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        self._lost.finish(lambda sender: self._until_ns(end, sender << _CODE_BITS))
        return [*super().finish(end), *self._lost.events()]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*super().findings(), *self._lost.findings()]

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._slots[subject >> _CODE_BITS + _SOURCE_BITS])

    def _describe(self, episode: Episode) -> Finding:
        subject, occurred = episode.subject, int(episode.worst)
        rule = self._rules[subject >> _CODE_BITS + _SOURCE_BITS]
        address = subject >> _CODE_BITS & (1 << _SOURCE_BITS) - 1
        spn, fmi = divmod(subject & (1 << _CODE_BITS) - 1, 1 << _FMI_BITS)
        name, mode = rule.names.get(spn, ""), FAILURE_MODES.get(fmi, "a reserved failure mode")
        text = f"{rule.message.message} from address {address} reports SPN {spn}"
        text += f" ({name})" if name else ""
        text += f", FMI {fmi}: {mode}"
        text += f"; by its own count {times(occurred, 'time')}" if occurred else ""
        text += ", from the start" if episode.from_start and episode.still else ""
        text += f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        found = episode.finding(
            FAULT_REPORTED,
            Place(bus=rule.message.bus, message=rule.message.message),
            f"{on_page(text, rule.page)}.",
            value=occurred,
            severity=Severity(rule.severity),
        )
        facts: dict[str, str | float] = {"address": address, "spn": spn, "fmi": fmi, "text": mode}
        facts |= {"parameter": name} if name else {}
        return replace(found, facts=paged(facts, rule.page))

    def _describe_lost(self, episode: Episode) -> Finding:
        number, address = divmod(episode.subject, 1 << _SOURCE_BITS)
        ref = self._rules[number].message
        text = (
            f"{times(episode.count, 'message')} of {ref.message} from address {address}, in several packets, "
        )
        text += "came without one of them and " + ("was" if episode.count == 1 else "were") + " not read"
        text += f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        place = Place(bus=ref.bus, message=ref.message)
        return replace(episode.finding(LOSS, place, f"{text}."), facts={"address": address})


def _in_packets(long: LongMessages, rule: NDArray[np.intp]) -> _Codes:
    """The codes of the messages that came in several packets, and whole."""
    told = ((rule >= 0) & long.whole).nonzero()[0]
    count = (long.length[told] - _LAMPS) // 4
    of = np.arange(len(told)).repeat(count)
    place = np.arange(len(of)) - (count.cumsum() - count).repeat(count)
    first = long.start[told].repeat(count) + _LAMPS + 4 * place
    held = long.content[first[:, np.newaxis] + np.arange(4)]
    sender = rule[told].astype(np.int64) << _SOURCE_BITS | long.sender[told] & (1 << _SOURCE_BITS) - 1
    return _Codes.of_bytes(sender, long.row[told], of, held)
