"""Faulty samples to findings that last: merging, announcing, settling, capping."""

from __future__ import annotations

import numpy as np
import pytest

from canmap.checks.values.out_of_range import OUT_OF_RANGE
from canmap.findings.episodes import Closed, Episode, Episodes, Opened, Told, faulty_runs
from canmap.findings.finding import Finding, Place, Severity


def described(episode: Episode) -> Finding:
    return Finding(
        kind=OUT_OF_RANGE,
        severity=Severity.ERROR,
        place=Place(message=str(episode.subject)),
        start_ns=episode.start_ns,
        end_ns=episode.start_ns if episode.end_ns is None else episode.end_ns,
        open=episode.still,
        count=episode.count,
        value=episode.worst,
        text=f"{episode.more} more" if episode.more else "",
    )


def judged(*stretches: str, closed_at: bool = False) -> tuple[list[tuple], list]:
    """Judge stretches of samples: F faulty, g good, - neither. The clock of sample i is 10 i, its value i.

    Returns what was found, and the types of the events; or, of those that close, from when on it was known.
    """
    episodes = Episodes(described)
    events = []
    seen = 0
    for text in stretches:
        samples = np.array(list(text))
        clock = 10 * (seen + np.arange(len(samples)))
        begin = seen
        episodes.judge(
            subject=0,
            seen=seen,
            faulty=samples == "F",
            good=samples == "g",
            clock=clock,
            worst=lambda _first, last, begin=begin: float(begin + last),
            line=lambda first, begin=begin: begin + first + 1,
        )
        seen += len(samples)
        events += episodes.events()
    episodes.finish(lambda _subject: 10 * seen)
    events += episodes.events()
    found = [(f.start_ns, f.end_ns, f.count, f.value, f.open) for f in episodes.findings()]
    if closed_at:
        return found, [event.known_ns for event in events if isinstance(event, Closed)]
    return found, [type(event) for event in events]


@pytest.mark.parametrize(
    ("samples", "runs"),
    [
        ("", []),
        ("gggg", []),
        ("F", [(0, 0, 1)]),
        ("gFFg", [(1, 2, 2)]),
        ("FggF", [(0, 3, 2)]),  # two good samples between: one run
        ("FgggF", [(0, 0, 1), (4, 4, 1)]),  # three: two runs
        ("FgFggFgggFF", [(0, 5, 3), (9, 10, 2)]),
    ],
)
def test_faulty_runs(samples: str, runs: list[tuple[int, int, int]]) -> None:
    assert faulty_runs(np.array([s == "F" for s in samples], bool)) == runs


def test_two_good_samples_between_make_one_finding_and_three_make_two() -> None:
    assert judged("gFggFg")[0] == [(10, 50, 2, 4.0, False)]
    assert judged("gFgggFg")[0] == [(10, 20, 1, 1.0, False), (50, 60, 1, 5.0, False)]


def test_a_finding_ends_at_the_first_good_sample() -> None:
    # Sample 2 is neither: it tells nothing. Sample 3 is the first good one.
    assert judged("FF-gggg")[0] == [(0, 30, 2, 1.0, False)]


def test_a_fault_to_the_end_is_still_open() -> None:
    assert judged("gFF")[0] == [(10, 30, 2, 2.0, True)]
    assert judged("gFFg")[0] == [(10, 30, 2, 2.0, False)]


@pytest.mark.parametrize("samples", ["gFggFgggFFgg", "FF-ggFggg", "gggFFF", "F-F-F", "FgFgFgggg"])
def test_cutting_changes_nothing(samples: str) -> None:
    whole = judged(samples)
    assert judged(*samples) == whole  # one by one
    for cut in range(len(samples) + 1):
        assert judged(samples[:cut], samples[cut:]) == whole


def test_a_finding_opens_once_and_closes_once() -> None:
    assert judged("gFggFggg")[1] == [Opened, Closed]
    assert judged("FgggF")[1] == [Opened, Closed, Opened, Closed]


def test_what_has_ended_is_known_after_so_many_good_samples_that_it_cannot_go_on() -> None:
    assert judged("gFggFgggFg", closed_at=True)[1] == [70, None]
    assert judged("gFggFg", "ggFg", closed_at=True)[1] == [70, None]


def episode(subject: int, ordinal: int, **changes: object) -> Episode:
    values = {"end_ns": 10 * ordinal + 10, "count": 1, "worst": float(ordinal), **changes}
    return Episode(subject=subject, first=ordinal, last=ordinal, start_ns=10 * ordinal, **values)  # type: ignore[arg-type]


def test_an_announced_finding_does_not_open_again_when_it_comes() -> None:
    episodes = Episodes(described)
    for _ in range(3):  # told at every chunk while it lasts
        episodes.announce(episode(0, 5, end_ns=None))
    assert [type(event) for event in episodes.events()] == [Opened]
    episodes.add(episode(0, 5))
    assert episodes.events() == []
    episodes.finish(lambda _subject: 1000)
    assert [type(event) for event in episodes.events()] == [Closed]


def test_what_continues_an_open_finding_is_not_announced() -> None:
    episodes = Episodes(described)
    episodes.add(episode(0, 5))
    episodes.events()
    episodes.announce(episode(0, 7, end_ns=None))
    assert episodes.events() == []


def test_twenty_are_listed_and_the_rest_is_counted() -> None:
    episodes = Episodes(described)
    for i in range(25):
        episodes.add(episode(0, 10 * i, count=2))
    episodes.add(episode(1, 3))  # another subject has a list of its own
    episodes.finish(lambda _subject: 1000)
    found = list(episodes.findings())
    mine = [f for f in found if f.place.message == "0"]
    assert len(mine) == 21
    assert sum(f.count for f in mine) == 50
    rest = mine[-1]
    # The 21st to the 25th: from 10 * 200 to the end of the one at ordinal 240, the worst of them 240.
    assert (rest.text, rest.start_ns, rest.end_ns, rest.value) == ("5 more", 2000, 2410, 240.0)
    assert len(found) == 22
    events = episodes.events()
    assert sum(isinstance(event, Opened) for event in events) == 21  # twenty of one subject, one of the other
    assert sum(isinstance(event, Closed) for event in events) == 21
    assert [event.finding for event in events if isinstance(event, Told)] == [rest]
    episodes.announce(episode(0, 300, end_ns=None))
    assert episodes.events() == []


@pytest.mark.parametrize(("excess", "worst"), [(1, 7.0), (-1, 5.0), (0, 5.0)])
def test_the_worst_of_merged_runs_is_kept(excess: int, worst: float) -> None:
    """Of equally bad ones, the smallest."""
    episodes = Episodes(described, lambda _subject, value: excess * value)
    for ordinal in (5, 6, 7):
        episodes.add(episode(0, ordinal))
    assert [(f.value, f.count) for f in episodes.findings()] == [(worst, 3)]


@pytest.mark.parametrize("still", [True, False])
def test_the_counted_rest_is_open_only_where_the_last_of_it_is(still: bool) -> None:
    """Twenty are listed; the 21st and those behind it are one, which goes on as long as its last one does."""
    episodes = Episodes(described)
    for i in range(23):
        episodes.add(episode(0, 10 * i, end_ns=None if still and i == 22 else 100 * i + 10))
    episodes.finish(lambda _subject: 9999)
    rest = list(episodes.findings())[-1]
    assert rest.text == "3 more"
    assert (rest.open, rest.end_ns) == ((True, 9999) if still else (False, 2210))
