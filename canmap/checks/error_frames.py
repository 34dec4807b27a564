"""Error frames: what the bus controllers reported, by channel and class.

Classes and details are those of the error message frames of SocketCAN (Linux,
include/uapi/linux/can/error.h): bits of the identifier name the class, bytes of the payload the details.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.frames.chunks import FrameChunk
    from canmap.stream.view import View

BUS_FAULT = Kind("bus_error", Severity.WARNING)  # an error where the bus was off, a note for what is no fault
CONTROLLER, PROTOCOL, BUS_ERROR, COUNTERS = 0x004, 0x008, 0x080, 0x200
STATE_BYTE, TYPE_BYTE = 1, 2
ALL_CLASSES = 0x3FF
NAMED = 0x7F  # bits of a detail byte that name something; the last of the protocol's says "while sending"


@dataclass(frozen=True, slots=True)
class ErrorClass:
    """One thing that an error frame can report.

    Attributes:
        text: For sentences.
        severity: How much it matters.
        bit: Of the identifier.
        byte: Of the payload, which tells the detail; None where the class alone decides.
        detail: Bits of that byte of which one must be set; 0 for none of them.
        alone: Counts only where no other class is named: such a class comes with every other one.
    """

    text: str
    severity: Severity
    bit: int
    byte: int | None = None
    detail: int = 0
    alone: bool = False

    def reported(self, chunk: FrameChunk, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Return which of the error frames `rows` report it."""
        classes = _main_classes(chunk.can_id[rows])
        if self.alone:
            alone: NDArray[np.bool_] = classes == self.bit
            return alone
        there: NDArray[np.bool_] = classes & self.bit > 0
        if self.byte is not None:
            told = chunk.payload[rows, self.byte]
            there &= (told & self.detail > 0) if self.detail else told & NAMED == 0
        return there


CLASSES = (
    ErrorClass("a transmission that timed out", Severity.WARNING, 0x001),
    ErrorClass("an arbitration that was lost", Severity.NOTE, 0x002),
    ErrorClass("a controller problem without details", Severity.WARNING, CONTROLLER, STATE_BYTE),
    ErrorClass("frames lost by the receiver (overflow)", Severity.WARNING, CONTROLLER, STATE_BYTE, 0x01),
    ErrorClass("frames lost by the sender (overflow)", Severity.WARNING, CONTROLLER, STATE_BYTE, 0x02),
    ErrorClass("an error counter above its warning level", Severity.WARNING, CONTROLLER, STATE_BYTE, 0x0C),
    ErrorClass("a controller that is error passive", Severity.WARNING, CONTROLLER, STATE_BYTE, 0x30),
    ErrorClass("a controller that is error active again", Severity.NOTE, CONTROLLER, STATE_BYTE, 0x40),
    ErrorClass("a protocol violation without details", Severity.WARNING, PROTOCOL, TYPE_BYTE),
    ErrorClass("a bit error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x19),  # also to 0 or to 1 only
    ErrorClass("a form error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x02),
    ErrorClass("a stuff error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x04),
    ErrorClass("an overload", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x20),
    ErrorClass("an error announced by the controller", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x40),
    ErrorClass("a transceiver problem", Severity.WARNING, 0x010),
    ErrorClass("a frame that nobody acknowledged", Severity.WARNING, 0x020),
    ErrorClass("a controller that is bus off", Severity.ERROR, 0x040),
    ErrorClass("a bus error without details", Severity.WARNING, BUS_ERROR, alone=True),
    ErrorClass("a controller that was restarted", Severity.NOTE, 0x100),
    ErrorClass("a change of the error counters", Severity.NOTE, COUNTERS, alone=True),
    ErrorClass("an error without a class", Severity.WARNING, 0, alone=True),
)


def _main_classes(can_id: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The class bits without those that only come with another: the counters, and "some bus error"."""
    classes = can_id & np.uint32(ALL_CLASSES)
    for bit in (COUNTERS, BUS_ERROR):
        classes[(classes & bit > 0) & (classes != bit)] &= np.uint32(ALL_CLASSES & ~bit)
    return classes


class ErrorFrames(EpisodeCheck[None]):
    """Reports the error frames of each channel, class by class."""

    kinds = (BUS_FAULT,)

    def __init__(self, setting: Setting) -> None:
        self._buses = setting.buses
        self._subjects: dict[tuple[str, int], int] = {}
        self._named: list[tuple[str, ErrorClass]] = []
        self._episodes = Episodes(self._describe)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Report the error frames of one chunk."""
        chunk = view.prepared.chunk
        if view.prepared.error_frames or self._episodes.open_subjects:
            for number, channel in enumerate(chunk.channels):
                rows = np.flatnonzero(chunk.channel == number)
                if len(rows):
                    self._fold_channel(view, channel, rows)
        return self._episodes.events()

    def _until_ns(self, end: End, subject: int) -> int:
        channel, _ = self._named[subject]
        return end.timeline.holes.until_ns(channel, end.session.now_ns)

    def _fold_channel(self, view: View, channel: str, rows: NDArray[np.intp]) -> None:
        chunk = view.prepared.chunk
        is_error = chunk.kind[rows] == FrameKind.ERROR
        errors = np.flatnonzero(is_error)
        for number, kind in enumerate(CLASSES):
            faulty = np.zeros(len(rows), np.bool_)
            faulty[errors] = kind.reported(chunk, rows[errors])
            subject = self._subjects.get((channel, number))
            if subject is None and faulty.any():
                subject = self._subjects[channel, number] = len(self._named)
                self._named.append((channel, kind))
            if subject is None or not (faulty.any() or subject in self._episodes.open_subjects):
                continue
            self._episodes.judge(
                subject=subject,
                seen=1,
                faulty=faulty,
                good=~is_error,
                clock=view.clock[rows],
                worst=lambda _first, _last: 0.0,
                line=lambda first: int(chunk.line[rows[first]]),
            )

    def _describe(self, episode: Episode) -> Finding:
        channel, kind = self._named[episode.subject]
        where = f" in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""
        count = "An error frame" if episode.count == 1 and not where else times(episode.count, "error frame")
        verb = "reports" if episode.count == 1 else "report"
        return episode.finding(
            BUS_FAULT,
            Place(bus=self._buses.get(channel)),
            text=f"{count} on {channel}{where} {verb} {kind.text}.",
            severity=kind.severity,
        )
