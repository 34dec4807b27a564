"""Active trouble codes of J1939: the first code of a DM1 message (SAE J1939-73, from memory).

Bytes 3 to 6 hold it, in conversion version 4: the suspect parameter number (SPN, 19 bits), least significant
byte first, its upper 3 bits at the top of byte 5; below them the failure mode (FMI, 5 bits); then how often
it occurred (7 bits) and, as top bit, the conversion method, which is 0. Where that is 1, nothing is known of
the code. SPN and FMI of zeros are no code, nor are those of ones. A message of several packets is not read.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.checks.fault_bits import FAULT_REPORTED
from canmap.checks.pages import on_page, paged
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Place, Severity
from canmap.vocabulary.failure_modes import FAILURE_MODES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.frames.chunks import FrameChunk
    from canmap.stream.view import View

_BYTES = 6  # that a payload needs to hold a code
_FMI_BITS, _CODE_BITS, _SOURCE_BITS = 5, 24, 8
_NO_CODES = (0, (1 << _CODE_BITS) - 1)


class TroubleCodes(EpisodeCheck[None]):
    """Tells every trouble code of the messages that the spec names, by the address that sends it.

    The value of a finding is how often the code had occurred, as its sender counts.
    """

    kinds = (FAULT_REPORTED,)

    def __init__(self, setting: Setting) -> None:
        self._rules = setting.spec.manual.trouble_codes
        slot_of = setting.plan.slot_of
        self._slots = [slot_of[rule.message.bus, rule.message.message] for rule in self._rules]
        self._seen: dict[int, int] = {}  # frames so far, by message and address
        self._episodes = Episodes(self._describe)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the frames of one chunk."""
        used = view.prepared.samples
        for i, slot in enumerate(self._slots):
            rows = used.rows[used.slot_start[slot] : used.slot_start[slot + 1]]
            rows = rows[view.prepared.chunk.length[rows] >= _BYTES]
            source = view.prepared.chunk.can_id[rows] & (1 << _SOURCE_BITS) - 1
            for address in np.unique(source).tolist():
                self._judge(i << _SOURCE_BITS | address, rows[source == address], view)
        return self._episodes.events()

    def _judge(self, sender: int, rows: NDArray[np.intp], view: View) -> None:
        """Judge the frames of one message from one address."""
        code, occurred, known = _codes(view.prepared.chunk, rows)
        seen = self._seen.get(sender, 0)
        self._seen[sender] = seen + len(rows)
        subjects = {sender << _CODE_BITS | one for one in np.unique(code[known]).tolist()}
        subjects -= {sender << _CODE_BITS | one for one in _NO_CODES}
        subjects |= {one for one in self._episodes.open_subjects if one >> _CODE_BITS == sender}
        for subject in sorted(subjects):
            faulty = known & (code == subject & (1 << _CODE_BITS) - 1)

            def worst(first: int, last: int, faulty: NDArray[np.bool_] = faulty) -> float:
                inside = slice(first, last + 1)
                return int(occurred[inside][faulty[inside]].max())

            self._episodes.judge(
                subject=subject,
                seen=seen,
                faulty=faulty,
                good=known & ~faulty,
                clock=view.clock[rows],
                worst=worst,
                line=lambda first: int(view.prepared.chunk.line[rows[first]]),
            )

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
        place = Place(bus=rule.message.bus, message=rule.message.message)
        found = episode.finding(
            FAULT_REPORTED,
            place,
            f"{on_page(text, rule.page)}.",
            value=occurred,
            severity=Severity(rule.severity),
        )
        facts: dict[str, str | float] = {"address": address, "spn": spn, "fmi": fmi, "text": mode}
        facts |= {"parameter": name} if name else {}
        return replace(found, facts=paged(facts, rule.page))


def _codes(
    chunk: FrameChunk, rows: NDArray[np.intp]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Return of each frame SPN * 32 + FMI, how often that occurred, and whether it is of version 4."""
    low, middle, mixed, last = chunk.payload[rows, 2:_BYTES].astype(np.int64).T
    spn = low | middle << 8 | mixed >> _FMI_BITS << 16
    return spn << _FMI_BITS | mixed & (1 << _FMI_BITS) - 1, last & 0x7F, last < 0x80
