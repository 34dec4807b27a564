"""Faults that happen at a moment and do not last: each is a finding of its own, the many are counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.findings.episodes import GOOD_BETWEEN, Episode, Episodes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.findings.episodes import Event
    from canmap.findings.finding import Finding


class Occurrences:
    """The faults of one kind that happen at a moment.

    Args:
        describe: Makes the finding of one, or of those that were too many to list.
        excess: Returns how bad a value of a subject is; by default all are equally bad.
    """

    def __init__(
        self,
        describe: Callable[[Episode], Finding],
        excess: Callable[[int, float], float] = lambda _subject, _value: 0,
    ) -> None:
        self._episodes = Episodes(describe, excess)

    def add(  # noqa: PLR0913  # what a fault at a moment is
        self,
        subject: int,
        start_ns: int,
        end_ns: int,
        value: int,
        known_ns: int,
        line: int,
        *,
        tally: tuple[int, ...] = (),
    ) -> None:
        """Add one that is known, and over, at `known_ns`; those of a subject have as long a `tally`."""
        self._episodes.add(
            Episode(
                *(subject, 0, 0, start_ns, end_ns, 1, value),
                line=line,
                known_ns=known_ns,
                tally=tally,
                begins_tally=tally,
            )
        )
        self._episodes.settle(subject, end_ns, 1 + GOOD_BETWEEN, lambda _ordinal: known_ns)

    def finish(self) -> None:
        """Tell what was too much to list."""
        self._episodes.finish(lambda _subject: 0)

    def events(self) -> list[Event]:
        """Return what happened since the last call."""
        return self._episodes.events()

    def findings(self) -> Iterator[Finding]:
        """Yield the findings so far."""
        return self._episodes.findings()
