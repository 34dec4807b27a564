"""The findings about time as they are documented, frame by frame: slow, and plain Python.

Nothing of the engine is used. Times are integer nanoseconds of the session clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

MS = 1_000_000
HELD_BACK, LARGEST_GAP, LONGEST_BREAK, SECOND = 50 * MS, 3_600_000 * MS, 100 * MS, 1000 * MS
GOOD_BETWEEN = 3


class Frame(NamedTuple):
    """One frame of a capture."""

    t_ns: int
    channel: str
    message: str


class Stream(NamedTuple):
    """A message of a bus, and what is promised of it."""

    channel: str
    message: str
    period: int

    @property
    def limit(self) -> int:
        """Silence from which on it is stale."""
        return max(3 * self.period, 100 * MS)


@dataclass(frozen=True)
class Told:
    """A finding; `where` is (channel, message), or the channels that are not covered."""

    kind: str
    severity: str
    where: tuple[str, ...]
    start: int
    end: int
    open: bool = False
    count: int = 1
    value: float = 0.0


@dataclass
class Span:
    """A span in which a channel is covered."""

    start: int
    stop: int


@dataclass
class Session:
    """Frames of a session in order with their clock, cut to a window, and what is covered of each channel."""

    frames: list[tuple[int, Frame]]
    spans: dict[str, list[Span]] = field(default_factory=dict)

    @property
    def start(self) -> int:
        """Clock of the first frame."""
        return self.frames[0][0]

    @property
    def end(self) -> int:
        """Clock of the last frame."""
        return self.frames[-1][0]


def clock_of(stamps: list[int]) -> list[int]:
    """The session clock: it holds for up to 50 ms back, and goes on over a larger step."""
    clock: list[int] = []
    offset = 0
    for stamp in stamps:
        now = clock[-1] if clock else stamp
        if offset and -HELD_BACK <= stamp - now <= LARGEST_GAP:
            offset = 0
        if not -HELD_BACK <= stamp + offset - now <= LARGEST_GAP:
            offset = now - stamp
        clock.append(max(now, stamp + offset))
    return clock


def session_of(captures: list[list[Frame]], window: tuple[float, float]) -> Session | None:
    """Merge captures by their running maxima, ties in their order, and take what is in the window."""
    rows = []
    for capture, frames in enumerate(captures):
        newest = -(2**62)
        for place, frame in enumerate(frames):
            newest = max(newest, frame.t_ns)
            rows.append((newest, capture, place, frame))
    rows.sort(key=lambda row: row[:3])
    clock = clock_of([row[3].t_ns for row in rows])
    inside = [window[0] <= (now - clock[0]) / 1e9 < window[1] for now in clock]
    if not any(inside):
        return None
    first, stop = inside.index(True), len(inside) - inside[::-1].index(True)
    session = Session([(now, row[3]) for now, row in zip(clock[first:stop], rows[first:stop], strict=True)])
    if len(captures) > 1:
        _cover(session, [(now, row[1], row[3]) for now, row in zip(clock, rows, strict=True)], stop)
    return session


def _cover(session: Session, rows: list[tuple[int, int, Frame]], stop: int) -> None:
    """A capture covers the channels of which it holds a frame, from its first frame to its last."""
    last = {capture: place for place, (_, capture, _) in enumerate(rows)}
    begun: dict[int, int] = {}
    shown: dict[str, set[int]] = {}  # captures that show a channel and have not ended
    spans = session.spans
    for place, (now, capture, frame) in enumerate(rows[:stop]):
        begin = begun.setdefault(capture, now)
        running = shown.setdefault(frame.channel, set())
        own = spans.setdefault(frame.channel, [])
        if not own or (not running and begin - own[-1].stop > LONGEST_BREAK):
            own.append(Span(begin, now))
        running.add(capture)
        for channel, captures in shown.items():
            if captures:
                spans[channel][-1].stop = now
        if place == last[capture]:
            for captures in shown.values():
                captures.discard(capture)
    for channel in list(spans):
        kept = [Span(max(span.start, session.start), span.stop) for span in spans[channel]]
        spans[channel] = [span for span in kept if span.stop >= session.start]
        if not spans[channel]:
            del spans[channel]


def findings(captures: list[list[Frame]], streams: list[Stream], window: tuple[float, float]) -> list[Told]:
    """Every finding about time; none where no frame is in the window."""
    session = session_of(captures, window)
    if session is None:
        return []
    found = _not_covered(session, {stream.channel for stream in streams})
    for stream in streams:
        # What no capture covers at all is taken as silent all the time.
        spans = session.spans.get(stream.channel, [Span(session.start, session.end)])
        times = [
            now for now, f in session.frames if (f.channel, f.message) == (stream.channel, stream.message)
        ]
        found += _silences(stream, spans, times)
        found += _rates(stream, spans, times)
    return found


def _not_covered(session: Session, channels: set[str]) -> list[Told]:
    holes: dict[tuple[int, int, str], list[str]] = {}
    for channel, spans in session.spans.items():
        edges = [(session.start, spans[0].start, "note"), (spans[-1].stop, session.end, "note")]
        edges += [(a.stop, b.start, "warning") for a, b in pairwise(spans)]
        for start, end, severity in edges:
            if channel in channels and end - start > LONGEST_BREAK:
                holes.setdefault((start, end, severity), []).append(channel)
    return [
        Told("not_covered", severity, tuple(sorted(names)), start, end)
        for (start, end, severity), names in holes.items()
    ]


class Gap(NamedTuple):
    """A silence that is too long; `seen` frames came before it, and it ends by a frame, a hole or the end."""

    start: int
    stop: int
    seen: int
    by: str


def _gaps(stream: Stream, spans: list[Span], times: list[int]) -> list[Gap]:
    gaps = []
    seen = 0
    for span in spans:
        quiet = span.start
        for now in (now for now in times if span.start <= now <= span.stop):
            gaps.append(Gap(quiet, now, seen, "frame"))
            quiet = now
            seen += 1
        gaps.append(Gap(quiet, span.stop, seen, "end" if span is spans[-1] else "hole"))
    return [gap for gap in gaps if gap.stop - gap.start > stream.limit]


def _silences(stream: Stream, spans: list[Span], times: list[int]) -> list[Told]:
    where = (stream.channel, stream.message)
    gaps = _gaps(stream, spans, times)
    found = []
    never = [gap for gap in gaps if gap.seen == 0]
    if never:
        late = all(gap.by == "frame" for gap in never)
        found.append(_told("missing", "warning" if late else "error", where, never))
    runs: list[list[Gap]] = []
    for gap in gaps:
        if gap.seen:
            if runs and gap.seen - runs[-1][-1].seen < GOOD_BETWEEN:
                runs[-1].append(gap)
            else:
                runs.append([gap])
    return found + [_told("stale", "error", where, run) for run in runs]


def _told(kind: str, severity: str, where: tuple[str, ...], gaps: list[Gap]) -> Told:
    longest = max(gap.stop - gap.start for gap in gaps)
    is_open = gaps[-1].by == "end"
    return Told(kind, severity, where, gaps[0].start, gaps[-1].stop, is_open, len(gaps), longest / 1e9)


def _rates(stream: Stream, spans: list[Span], times: list[int]) -> list[Told]:
    """Tumbling windows from the first frame or the end of a silence; neighbours that are off merge.

    The finding begins and ends with gaps that are off, see `_off_span`.
    """
    length = max(20 * stream.period, SECOND)
    found: list[Told] = []
    means: list[float] = []  # of the finding that may go on
    runs = _stretches(stream, spans, times)
    for run in runs:
        means = []
        windows: list[list[int]] = []
        for now in run:
            number = (now - run[0]) // length
            if windows and (windows[-1][0] - run[0]) // length == number:
                windows[-1].append(now)
            else:
                windows.append([now])
        for number, (window, after) in enumerate(pairwise(windows)):
            if not _is_off(stream, window, after):
                means = []
                continue
            lasted = after[0] - window[0]
            means.append(lasted / len(window))
            worst = min(means, key=lambda mean: (-abs(mean - stream.period), mean))
            first, end = _off_span(stream, run, windows[number:], length)
            start = first if len(means) == 1 else found.pop().start
            where = (stream.channel, stream.message)
            found.append(Told("rate", "warning", where, start, end, False, len(means), worst / 1e9))
    if means and spans[-1].start <= runs[-1][-1] and spans[-1].stop - runs[-1][-1] <= stream.limit:
        found[-1] = replace(found[-1], end=spans[-1].stop, open=True)
    return found


def _is_off(stream: Stream, window: list[int], after: list[int]) -> bool:
    """Whether the mean period of a window, up to the first frame after it, is more than 20 % off."""
    promised = len(window) * stream.period
    return abs(after[0] - window[0] - promised) * 5 > promised


def _off_span(stream: Stream, run: list[int], windows: list[list[int]], length: int) -> tuple[int, int]:
    """From the first gap of a window that is off to the last, each with the row of such gaps it stands in.

    A row counts beyond the window only where it does not fill the neighbour, and a right neighbour after it.
    """
    window, after, *further = windows
    rows: list[list[int]] = []  # begin and end of each row of gaps that are off
    for before, now in pairwise(run):
        if abs(now - before - stream.period) > stream.period // 5:
            if rows and rows[-1][1] == before:
                rows[-1][1] = now
            else:
                rows.append([before, now])
    inside = [row for row in rows if row[1] > window[0] and row[0] < after[0]]
    start = inside[0][0] if window[0] - inside[0][0] < length else window[0]
    end = min(inside[-1][1], after[0])
    goes_over = inside[-1][1] > after[0] and bool(further) and inside[-1][1] < further[0][0]
    if goes_over and not _is_off(stream, after, further[0]):
        end = inside[-1][1]
    return start, end


def _stretches(stream: Stream, spans: list[Span], times: list[int]) -> list[list[int]]:
    """The frames of a stream, parted by its silences and by what is not covered."""
    runs: list[list[int]] = []
    for span in spans:
        own = [now for now in times if span.start <= now <= span.stop]
        for before, now in pairwise([None, *own]):
            if before is None or now - before > stream.limit:
                runs.append([])
            runs[-1].append(now)
    return runs
