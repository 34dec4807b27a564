"""What an inspection tells that something began, and which of it belongs to one episode.

An episode begins where an axis left its active state, where messages fell silent, where a demand was refused,
or where frames, values or stamps became doubtful. Where the computer handed an axis back and nothing else
began, it is one only if the vehicle moved (`handed_back.py`): each drive ends so. What begins shortly after
that, or where a silence of it ends, is a part of it: a node that comes back shows only then what it did
meanwhile. What is not as described from the first frame to the last is one of its own.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.findings.finding import Severity
from canmap.findings.kinds import (
    COUNTER,
    DUPLICATE,
    LOSS,
    MISSING,
    RATE,
    RECORDING_GAP,
    RESTART,
    STALE,
    TWO_SENDERS,
    UNKNOWN_ID,
)
from canmap.vocabulary.record_types import (
    AxisState,
    Brake,
    BrakeDemand,
    Drive,
    DriveDemand,
    Steering,
    SteeringDemand,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.findings.finding import Finding, Place
    from canmap.records.change import Change
    from canmap.results.inspection import Inspection

SOON_NS = 1_500_000_000  # what begins so soon after something else of an episode is a part of it
AT_END_NS = 300_000_000  # and so close to the end of a silence
SAME_MESSAGE_NS = 10_000_000_000  # and on the same message, in another way or by its values again
LONGEST_LASTING_NS = 10_000_000_000  # later in what lasts, something else begins an episode of its own
HANDED_BACK_NS = 300_000_000  # between the enable bit and the state of its axis
WITHOUT_DEMAND = {AxisState.READY, AxisState.STANDBY}  # states of an axis that nobody asks
FLOOD_FRAMES, FLOOD_A_SECOND = 200, 500  # of an identifier that nobody knows
DEMAND_OF = {Steering: SteeringDemand, Drive: DriveDemand, Brake: BrakeDemand}


class OnsetKind(StrEnum):
    """What began."""

    LEFT_ACTIVE = "left_active"
    HANDED_BACK = "handed_back"  # by the computer, which took its demand back before
    SILENT = "silent"
    REFUSED = "refused"
    FRAMES_DOUBTFUL = "frames_doubtful"
    VALUES_DOUBTFUL = "values_doubtful"
    STAMPS_DOUBTFUL = "stamps_doubtful"
    STARTED_ANEW = "started_anew"
    FROM_START = "from_start"


OF_AXES = {OnsetKind.LEFT_ACTIVE, OnsetKind.HANDED_BACK}
OF_KIND = {
    "checksum": OnsetKind.REFUSED,
    "counter": OnsetKind.REFUSED,
    "state": OnsetKind.REFUSED,
    "loss": OnsetKind.FRAMES_DOUBTFUL,
    "bus_error": OnsetKind.FRAMES_DOUBTFUL,
    "frozen": OnsetKind.VALUES_DOUBTFUL,
    "disagree": OnsetKind.VALUES_DOUBTFUL,
    "railed": OnsetKind.VALUES_DOUBTFUL,
    "slew": OnsetKind.VALUES_DOUBTFUL,
    "tracking": OnsetKind.VALUES_DOUBTFUL,
    "time_order": OnsetKind.STAMPS_DOUBTFUL,
    "recording_gap": OnsetKind.SILENT,
    "stale": OnsetKind.SILENT,
    "out_of_range": OnsetKind.VALUES_DOUBTFUL,
    "two_senders": OnsetKind.FRAMES_DOUBTFUL,
    "relay": OnsetKind.FRAMES_DOUBTFUL,
    "restart": OnsetKind.STARTED_ANEW,
    "duplicate": OnsetKind.FRAMES_DOUBTFUL,
}
FROM_START = {MISSING, RATE, COUNTER, LOSS, "checksum", "out_of_range", "relay", "bus_error"}
LONG_AT_END = 2  # times as long as is stale, a silence at the end is one
FIRST_NS = 100_000_000  # from the first frame, for what has no period
NOT_ON_ITS_OWN = {"state"}  # only a demand that came too early; illegal transitions are no episode


@dataclass(frozen=True, slots=True)
class EpisodeOnset:
    """Something that began.

    Attributes:
        kind: What.
        start_ns: Session clock.
        end_ns: Session clock at which it was over.
        open: It was not.
        subject: Message or record.field.
        until_ns: Session clock at which the axis changed its state again, None where it did not.
    """

    kind: OnsetKind
    start_ns: int
    end_ns: int
    open: bool
    subject: str
    until_ns: int | None = None


@dataclass(frozen=True, slots=True)
class EpisodeSpan:
    """What belongs together.

    Attributes:
        number: 1 for the first.
        onsets: By start.
        earlier_ns: Session clock at which the last onset of the episode before began; None
            where there is none, what held from the start apart.
    """

    number: int
    onsets: tuple[EpisodeOnset, ...]
    earlier_ns: int | None = None

    @property
    def begin_ns(self) -> int:
        """Session clock at its begin."""
        return self.onsets[0].start_ns

    @property
    def end_ns(self) -> int:
        """Session clock at its end."""
        return max(one.end_ns for one in self.onsets)

    @property
    def kinds(self) -> tuple[OnsetKind, ...]:
        """What began in it, in order, each once."""
        return tuple(dict.fromkeys(one.kind for one in self.onsets))

    @property
    def by_computer(self) -> bool:
        """Whether nothing else began in it than that the computer handed axes back."""
        return self.kinds == (OnsetKind.HANDED_BACK,)


def episodes_of(result: Inspection) -> list[EpisodeSpan]:
    """Return the episodes of an inspection, by begin."""
    groups: list[list[EpisodeOnset]] = []
    for onset in sorted(_onsets(result), key=lambda one: (one.start_ns, one.kind, one.subject)):
        if groups and _belongs(onset, groups[-1]):
            groups[-1].append(onset)
        else:
            groups.append([onset])
    held = held_from_start(result)
    whole = [_whole(one, result) for one in result.findings if (one.kind, one.place) in held]
    spans = [EpisodeSpan(1, tuple(whole))] if whole else []
    earlier_ns = None
    for group in groups:
        spans.append(EpisodeSpan(len(spans) + 1, tuple(group), earlier_ns))
        earlier_ns = group[-1].start_ns
    return spans


def held_from_start(result: Inspection) -> set[tuple[str, Place]]:
    """Return what holds from the first frame of what it is about to the last, by kind and place."""
    alike: dict[tuple[str, Place], list[Finding]] = {}
    for finding in result.findings:
        if finding.kind in FROM_START and finding.severity is not Severity.NOTE:
            alike.setdefault((finding.kind, finding.place), []).append(finding)
    period_ns = {(one.bus, one.name): one.nominal_ns or 0 for one in result.messages}

    def begins_with_it(one: Finding) -> bool:
        wait_ns = 2 * period_ns.get((one.place.bus or "", one.place.message or ""), 0)
        return one.start_ns - result.capture.start_ns <= max(wait_ns, FIRST_NS)

    return {
        key
        for key, those in alike.items()
        if any(map(begins_with_it, those)) and any(one.open for one in those)
    }


def _whole(finding: Finding, result: Inspection) -> EpisodeOnset:
    subject = finding.place.message or finding.place.bus or ""
    return EpisodeOnset(OnsetKind.FROM_START, result.capture.start_ns, finding.end_ns, True, subject)


def _belongs(onset: EpisodeOnset, group: list[EpisodeOnset]) -> bool:
    if onset.start_ns - max(one.start_ns for one in group) <= SOON_NS:
        return True
    for one in group:
        ends = abs(onset.start_ns - (one.until_ns or one.end_ns)) <= AT_END_NS and not one.open
        lasts = (
            one.kind not in {OnsetKind.SILENT, *OF_AXES}
            and onset.start_ns <= min(one.end_ns, one.start_ns + LONGEST_LASTING_NS) + AT_END_NS
        )
        again = (
            one.subject == onset.subject
            and (one.kind is not onset.kind or one.kind is OnsetKind.VALUES_DOUBTFUL)
            and not OF_AXES.issuperset({one.kind, onset.kind})
            and onset.start_ns - one.start_ns <= SAME_MESSAGE_NS
        )
        if ends or lasts or again:
            return True
    return False


def _onsets(result: Inspection) -> Iterator[EpisodeOnset]:
    start_ns = result.capture.start_ns
    held = held_from_start(result)
    yield from _of_axes(result)
    for finding in result.findings:
        if finding.start_ns <= start_ns or finding.kind not in {*OF_KIND, UNKNOWN_ID}:
            continue
        if (finding.kind, finding.place) in held:
            continue
        if finding.kind == UNKNOWN_ID:
            yield from _of_stranger(finding)
        elif _counts(finding):
            yield _of_finding(finding)


def _counts(finding: Finding) -> bool:
    if finding.kind in NOT_ON_ITS_OWN:
        return str(finding.facts.get("wrong", "")).startswith("enable")
    if finding.severity is Severity.NOTE or _is_the_end(finding):
        return False
    return (
        finding.kind in {STALE, RECORDING_GAP}
        or finding.severity is Severity.ERROR
        or finding.kind
        in {LOSS, COUNTER, DUPLICATE, RESTART, TWO_SENDERS, "bus_error", "time_order", "relay"}
    )


def _is_the_end(finding: Finding) -> bool:
    """Whether a silence is only just one at the end: a recorder does not end all channels at one moment."""
    if finding.kind != STALE or not finding.open or finding.limit is None or finding.parts:
        return False
    return (finding.value or 0.0) < LONG_AT_END * finding.limit


def _of_finding(finding: Finding) -> EpisodeOnset:
    place = finding.place
    subject = place.message or (f"{place.record}.{place.field}" if place.record else place.bus or "")
    # An axis that let go does not follow for long; what then begins is not a part of that.
    end_ns = finding.start_ns if finding.kind == "tracking" else finding.end_ns
    return EpisodeOnset(OF_KIND[finding.kind], finding.start_ns, end_ns, finding.open, subject)


def _of_stranger(finding: Finding) -> Iterator[EpisodeOnset]:
    span_s = max(finding.end_ns - finding.start_ns, 1) / 1e9
    if finding.count >= FLOOD_FRAMES and finding.count / span_s >= FLOOD_A_SECOND:
        yield EpisodeOnset(
            OnsetKind.FRAMES_DOUBTFUL, finding.start_ns, finding.end_ns, finding.open, finding.place.bus or ""
        )


def axis_changes(result: Inspection) -> Iterator[Change]:
    """Yield the changes of the states of axes, by time."""
    for change in result.changes:
        if isinstance(change.after, AxisState):
            yield change


def withdrawals(result: Inspection, axis: str | None = None) -> Iterator[Change]:
    """Yield where the enable bit of a demand went off; only for an axis where its record is named."""
    kind = DEMAND_OF.get(result.record_types[axis]) if axis else None
    for change in result.changes:
        is_off = change.field == "enable" and change.before and not change.after
        if is_off and (kind is None or issubclass(result.record_types[change.record], kind)):
            yield change


def _of_axes(result: Inspection) -> Iterable[EpisodeOnset]:
    for change in axis_changes(result):
        if change.before is not AxisState.ACTIVE:
            continue
        unheard_ns = _unheard_ns(result, change) if change.after in WITHOUT_DEMAND else 0
        by_computer = any(
            0 <= change.clock_ns - one.clock_ns <= HANDED_BACK_NS + unheard_ns
            for one in withdrawals(result, change.record)
        )
        kind = OnsetKind.HANDED_BACK if by_computer else OnsetKind.LEFT_ACTIVE
        yield EpisodeOnset(kind, change.clock_ns, change.clock_ns, False, change.name, change.until_ns)


def _unheard_ns(result: Inspection, change: Change) -> int:
    """For how long an axis had not been heard of as it told a change: it may have happened all that time."""
    told = change.source.bus, change.source.message
    silences = [one for finding in result.findings for one in (finding, *finding.parts) if one.kind == STALE]
    return max(
        (
            change.clock_ns - one.start_ns
            for one in silences
            if (one.place.bus, one.place.message) == told and abs(change.clock_ns - one.end_ns) <= AT_END_NS
        ),
        default=0,
    )
