"""Error frames: what the bus controllers reported, stretch by stretch of a disturbed channel.

Two error frames of a channel are of one stretch where no more than 250 ms lie between them, or no other
frame. The bursts of a disturbance come and go with the frames that it hits: how many good ones lie between
two of them depends on the traffic, the time does not.

Classes and details are those of the error message frames of SocketCAN (Linux,
include/uapi/linux/can/error.h): bits of the identifier name the class, bytes of the payload the details.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import listed, number, seconds, times
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episode, Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity, worst
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.frames.chunks import FrameChunk
    from canmap.stream.view import View

PARTED_NS = 250_000_000
RATED_NS = 1_000_000_000  # a shorter stretch has no rate worth telling
BUS_FAULT = Kind("bus_error", Severity.WARNING)  # an error where the bus was off, a note for what is no fault
CONTROLLER, PROTOCOL, BUS_ERROR, COUNTERS = 0x004, 0x008, 0x080, 0x200
STATE_BYTE, TYPE_BYTE = 1, 2
ALL_CLASSES = 0x3FF
NAMED = 0x7F  # bits of a detail byte that name something; the last of the protocol's says "while sending"


@dataclass(frozen=True, slots=True)
class ErrorClass:
    """One thing that an error frame can report.

    Attributes:
        word: For the fields of a finding.
        text: For sentences.
        severity: How much it matters.
        bit: Of the identifier.
        byte: Of the payload, which tells the detail; None where the class alone decides.
        detail: Bits of that byte of which one must be set; 0 for none of them.
        alone: Counts only where no other class is named: such a class comes with every other one.
    """

    word: str
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
    ErrorClass("timeout", "a transmission that timed out", Severity.WARNING, 0x001),
    ErrorClass("arbitration_lost", "an arbitration that was lost", Severity.NOTE, 0x002),
    ErrorClass(
        "controller", "a controller problem without details", Severity.WARNING, CONTROLLER, STATE_BYTE
    ),
    ErrorClass(
        "overflow_receiving",
        "frames lost by the receiver (overflow)",
        Severity.WARNING,
        CONTROLLER,
        STATE_BYTE,
        0x01,
    ),
    ErrorClass(
        "overflow_sending",
        "frames lost by the sender (overflow)",
        Severity.WARNING,
        CONTROLLER,
        STATE_BYTE,
        0x02,
    ),
    ErrorClass(
        "error_warning",
        "an error counter above its warning level",
        Severity.WARNING,
        CONTROLLER,
        STATE_BYTE,
        0x0C,
    ),
    ErrorClass(
        "error_passive", "a controller that is error passive", Severity.WARNING, CONTROLLER, STATE_BYTE, 0x30
    ),
    ErrorClass(
        "error_active", "a controller that is error active again", Severity.NOTE, CONTROLLER, STATE_BYTE, 0x40
    ),
    ErrorClass("protocol", "a protocol violation without details", Severity.WARNING, PROTOCOL, TYPE_BYTE),
    ErrorClass(
        "bit_error", "a bit error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x19
    ),  # also to 0 or to 1 only
    ErrorClass("form_error", "a form error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x02),
    ErrorClass("stuff_error", "a stuff error", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x04),
    ErrorClass("overload", "an overload", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x20),
    ErrorClass(
        "announced_error", "an error announced by the controller", Severity.WARNING, PROTOCOL, TYPE_BYTE, 0x40
    ),
    ErrorClass("transceiver", "a transceiver problem", Severity.WARNING, 0x010),
    ErrorClass("not_acknowledged", "a frame that nobody acknowledged", Severity.WARNING, 0x020),
    ErrorClass("bus_off", "a controller that is bus off", Severity.ERROR, 0x040),
    ErrorClass("bus_error", "a bus error without details", Severity.WARNING, BUS_ERROR, alone=True),
    ErrorClass("restarted", "a controller that was restarted", Severity.NOTE, 0x100),
    ErrorClass("counters", "a change of the error counters", Severity.NOTE, COUNTERS, alone=True),
    ErrorClass("no_class", "an error without a class", Severity.WARNING, 0, alone=True),
)


def _main_classes(can_id: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The class bits without those that only come with another: the counters, and "some bus error"."""
    classes = can_id & np.uint32(ALL_CLASSES)
    for bit in (COUNTERS, BUS_ERROR):
        classes[(classes & bit > 0) & (classes != bit)] &= np.uint32(ALL_CLASSES & ~bit)
    return classes


@dataclass(slots=True)
class Disturbance:
    """A channel with error frames, and where its newest stretch of them stands.

    Attributes:
        subject: Its number.
        channel: Its name.
        stretch: Number of the stretch, counted over all of the channel.
        last_ns: Session clock of the last error frame.
        good_ns: Session clock of the first other frame since, None while none has come.
        since: Frames since.
    """

    subject: int
    channel: str
    stretch: int = 0
    last_ns: int = 0
    good_ns: int | None = None
    since: int = 0

    def goes_on(self, until_ns: int) -> bool:
        """Tell whether an error frame at `until_ns` is of the stretch."""
        return self.good_ns is None or until_ns - self.last_ns <= PARTED_NS

    @property
    def over_ns(self) -> int:
        """Session clock from which on the stretch is known to be over, if no error frame came before."""
        after_ns = self.last_ns + PARTED_NS + 1
        return after_ns if self.good_ns is None else max(after_ns, self.good_ns)


class ErrorFrames(EpisodeCheck[None]):
    """Reports the error frames of each channel, stretch by stretch."""

    kinds = (BUS_FAULT,)

    def __init__(self, setting: Setting) -> None:
        self._buses = setting.buses
        self._disturbed: list[Disturbance] = []
        self._by_channel: dict[str, Disturbance] = {}
        self._episodes = Episodes(self._describe, parted_by=0)  # its samples are the stretches

    def fold(self, view: View, _part: None) -> list[Event]:
        """Report the error frames of one chunk."""
        chunk = view.prepared.chunk
        if view.prepared.error_frames or self._episodes.open_subjects:
            for place, channel in enumerate(chunk.channels):
                rows = np.flatnonzero(chunk.channel == place)
                if len(rows):
                    self._fold_channel(view, channel, rows)
        for subject in self._episodes.open_subjects:
            one = self._disturbed[subject]
            passed = one.stretch + (not one.goes_on(view.session.now_ns))
            self._episodes.settle(subject, one.good_ns, passed, _always(one.over_ns))
        return self._episodes.events()

    def _until_ns(self, end: End, subject: int) -> int:
        return end.timeline.holes.until_ns(self._disturbed[subject].channel, end.session.now_ns)

    def _fold_channel(self, view: View, channel: str, rows: NDArray[np.intp]) -> None:
        chunk = view.prepared.chunk
        errors = np.flatnonzero(chunk.kind[rows] == FrameKind.ERROR)
        before = int(errors[0]) if len(errors) else len(rows)
        one = self._by_channel.get(channel)
        if one is not None:
            one.since += before
            if before and one.good_ns is None:  # its stretch is open still
                one.good_ns = int(view.clock[rows[0]])
                self._episodes.open_one(one.subject).end_ns = one.good_ns
        if not len(errors):
            return
        if one is None:
            one = self._by_channel[channel] = Disturbance(len(self._disturbed), channel)
            self._disturbed.append(one)
        reported = np.stack([kind.reported(chunk, rows[errors]) for kind in CLASSES], axis=1).astype(np.int64)
        parted = (np.diff(view.clock[rows[errors]]) > PARTED_NS) & (np.diff(errors) > 1)
        starts = [0, *(np.flatnonzero(parted) + 1).tolist()]
        for start, stop in zip(starts, [*starts[1:], len(errors)], strict=True):
            self._add_stretch(view, one, rows, errors[start:stop], reported[start:stop])

    def _add_stretch(
        self,
        view: View,
        one: Disturbance,
        rows: NDArray[np.intp],
        errors: NDArray[np.intp],
        reported: NDArray[np.int64],
    ) -> None:
        """Add the error frames of one stretch among the frames `rows` of a channel."""
        clock, lines = view.clock[rows], view.prepared.chunk.line
        first, last = int(errors[0]), int(errors[-1])
        frames = last - first + 1
        over_ns = _always(one.over_ns)
        if one.stretch and one.goes_on(int(clock[first])):
            frames += one.since
        else:
            one.stretch += 1
        good_ns = int(clock[last + 1]) if last + 1 < len(rows) else None
        self._episodes.add(
            Episode(
                subject=one.subject,
                first=one.stretch,
                last=one.stretch,
                start_ns=int(clock[first]),
                end_ns=good_ns,
                count=len(errors),
                worst=0.0,
                line=int(lines[rows[first]]),
                tally=(frames, *reported.sum(axis=0).tolist()),
                begins_tally=(1, *reported[0].tolist()),
            ),
            over_ns,
        )
        one.last_ns, one.good_ns, one.since = int(clock[last]), good_ns, len(rows) - 1 - last

    def _describe(self, episode: Episode) -> Finding:
        channel = self._disturbed[episode.subject].channel
        frames, *counts = episode.tally
        told = sorted(
            ((count, kind) for count, kind in zip(counts, CLASSES, strict=True) if count),
            key=lambda one: (one[1].severity is not Severity.ERROR, -one[0]),
        )
        if episode.count == 1 and not episode.more:
            extent: dict[str, float] = {}
            what = f"An error frame on {channel} reports {listed([kind.text for _, kind in told], 'and')}"
        else:
            extent = _extent(episode, frames)
            what = f"{times(episode.count, 'error frame')} on {channel}{_extent_text(episode, extent)}: "
            what += _reports(episode.count, told)
        found = episode.finding(
            BUS_FAULT,
            Place(bus=self._buses.get(channel)),
            text=f"{what}.",
            severity=worst(kind.severity for _, kind in told),
        )
        return replace(found, facts={**extent, "classes": {kind.word: count for count, kind in told}})


def _always(known_ns: int) -> Callable[[int], int]:
    return lambda _stretch: known_ns


def _extent(episode: Episode, frames: int) -> dict[str, float]:
    """How much a stretch is: further facts of its finding."""
    extent: dict[str, float] = {"frames": frames, "share": episode.count / frames}
    if episode.more:
        return {"stretches": episode.more, **extent}
    span_ns = 0 if episode.end_ns is None else episode.end_ns - episode.start_ns
    return {"per_second": episode.count * 1e9 / span_ns, **extent} if span_ns >= RATED_NS else extent


def _extent_text(episode: Episode, extent: Mapping[str, float]) -> str:
    share = f"{_percent(extent['share'])} of its frames"
    if episode.more:
        return f" in {times(episode.more, 'more stretch')} that are not listed"
    if "per_second" in extent:
        return f", {_two_digits(extent['per_second'])} a second and {share}"
    return f" within {seconds((episode.end_ns or episode.start_ns) - episode.start_ns)}, {share}"


def _reports(whole: int, told: Sequence[tuple[int, ErrorClass]]) -> str:
    shares = ["all" if count == whole else _percent(count / whole) for count, _ in told]
    verbs = ["report ", *[""] * (len(told) - 1)]
    said = [f"{share} {verb}{kind.text}" for share, verb, (_, kind) in zip(shares, verbs, told, strict=True)]
    return listed(said, "and")


def _percent(share: float) -> str:
    return f"{_two_digits(100 * share)} %"


def _two_digits(value: float) -> str:
    return number(float(f"{value:.2g}"))
