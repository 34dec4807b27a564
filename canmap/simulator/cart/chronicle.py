"""Simulator: what really happened in a run, each thing with what it followed from, for the ground truth.

Whoever lets something happen notes it at that moment: the stop chain, a node, an axis, the computer, the
driver. A subject is whatever something can be wrong with: a message, a node, a part of the cart. A fault is
noted first, under the subjects that it touches; what happens later asks `about` them for its reason.
"""

from __future__ import annotations

import bisect
from enum import StrEnum
from typing import Any, NamedTuple

LINGER_NS = 1_000_000_000  # what is over can still be the reason of something for so long


class Happened(StrEnum):
    """What can happen, as the ground truth names it."""

    ORDERED = "ordered"
    FAULT_BEGAN = "fault began"
    FAULT_ENDED = "fault ended"
    SUPPLY_LOW = "supply low"
    NODE_OFF = "node off"
    NODE_ON = "node on"
    BUS_OFF = "node bus-off"
    BUS_ON = "node back on bus"
    LOOP_OPENED = "stop loop opened"
    LOOP_CLOSED = "stop loop closed"
    RELAY_OPENED = "relay opened"
    RELAY_CLOSED = "relay closed"
    FEEDBACK_SILENT = "feedback silent"
    DEMAND_WITHDRAWN = "demand withdrawn"
    AXIS_LEFT_ACTIVE = "axis left active"
    KIT_BRAKED = "kit braked"
    DRIVER_BRAKED = "driver braked"
    DRIVER_HELD_WHEEL = "driver held wheel"
    STANDSTILL = "standstill"


class Subject(StrEnum):
    """What something can be wrong with, beside messages, nodes and axes, which have names of their own."""

    BUS = "drive bus"
    BUTTON = "stop button"
    RADIO_BUTTON = "radio stop button"
    LINK = "radio link"
    LOOP = "stop loop"
    RELAY = "relay"
    SUPPLY = "supply"
    SWITCH = "main switch"
    HAND_BACK = "handing back"
    HAND = "hand on the wheel"
    TORQUE_SENSOR = "torque sensor"
    PEDAL = "brake pedal"
    COMPUTER = "Computer"
    MOTION = "motion"


class Happening(NamedTuple):
    """Something that happened.

    Attributes:
        t_ns: When, simulated time.
        what: What.
        of: To what: a node, an axis, a message.
        reason: What the one to whom it happened says of it, None for nothing.
        after: Place in the chronicle of what it followed from, None: of nothing that was wrong.
    """

    t_ns: int
    what: Happened
    of: str
    reason: str | None = None
    after: int | None = None


class Recorded(NamedTuple):
    """What was recorded of a run.

    Attributes:
        first_ns: Time of its first frame.
        error_frames: Error frames are in it.
        far: There is another recorder on the first bus.
    """

    first_ns: int
    error_frames: bool = True
    far: bool = False


class Chronicle:
    """What happened so far in a run.

    Attributes:
        happenings: In the order in which they were noted.
        roots: Place of the beginning of each fault, by its number.
        orders: Place of each order of the script that something may follow from, by its time in ns, whom it
            is for and what.
        acting: Place of the fault that acts right now, None: of none.
    """

    def __init__(self) -> None:
        self.happenings: list[Happening] = []
        self.roots: dict[int, int] = {}
        self.orders: dict[tuple[int, str, str], int] = {}
        self.acting: int | None = None
        self._standing: dict[str, list[int]] = {}  # by subject, places of what is wrong with it
        self._over: dict[str, list[int]] = {}  # and of what was, in the same order
        self._ended: dict[int, int] = {}
        self._about: dict[int, tuple[str, ...]] = {}

    def note(
        self,
        t_ns: int,
        what: Happened,
        of: str,
        *,
        after: int | None = None,
        reason: str | None = None,
        about: tuple[str, ...] = (),
    ) -> int:
        """Note something; return its place.

        Args:
            t_ns: When.
            what: What.
            of: To what.
            after: Place of what it followed from.
            reason: What the one to whom it happened says of it.
            about: Subjects of which it may be the reason that something happens later.
        """
        place = len(self.happenings)
        self.happenings.append(Happening(t_ns, what, of, reason, after))
        self._about[place] = about
        for subject in about:
            self._standing.setdefault(subject, []).append(place)
        return place

    def end(self, place: int | None, t_ns: int) -> None:
        """Something is over: it is the reason of nothing that happens much later."""
        if place is None or place in self._ended:
            return
        self._ended[place] = t_ns
        for subject in self._about[place]:
            self._standing[subject].remove(place)
            bisect.insort(self._over.setdefault(subject, []), place)

    def about(self, t_ns: int, *subjects: str) -> int | None:
        """Return the place of what is wrong with the first of the subjects with which something is; or None.

        What is over counts for a second, and only where nothing else is wrong; of two, the newer.
        """
        over: int | None = None
        for subject in subjects:
            if standing := self._standing.get(subject):
                return standing[-1]
            if over is None:
                recent = (
                    place for place in reversed(self._over.get(subject, ())) if self._lingers(place, t_ns)
                )
                over = next(recent, None)
        return over

    def _lingers(self, place: int, t_ns: int) -> bool:
        return t_ns - self._ended[place] <= LINGER_NS

    def chain(self, root: int) -> list[int]:
        """Return the places of a root and of all that followed from it, in the order of noting."""
        found = [root]
        members = {root}
        for place in range(root + 1, len(self.happenings)):
            if self.happenings[place].after in members:
                members.add(place)
                found.append(place)
        return found

    def clear(self) -> None:
        """Forget everything, as before a run."""
        self.happenings.clear()
        self.roots.clear()
        self.orders.clear()
        for kept in (self._standing, self._over, self._ended, self._about):
            kept.clear()
        self.acting = None


def chain_of(chronicle: Chronicle, root: int, first_ns: int) -> list[dict[str, Any]]:
    """Return what followed from a happening, itself first, as the truth file says it.

    Returns:
        Of each `at_s` from `first_ns`, `what`, `of`, `reason` where there is one, and `after`: the place in
        this list of what it followed from, None of the first.
    """
    places = chronicle.chain(root)
    numbers = {place: number for number, place in enumerate(places)}
    told = []
    for place in places:
        happening = chronicle.happenings[place]
        link: dict[str, Any] = {
            "at_s": round((happening.t_ns - first_ns) / 1e9, 6),
            "what": str(happening.what),
            "of": happening.of,
        }
        if happening.reason is not None:
            link["reason"] = str(happening.reason)
        after = None if place == root or happening.after is None else numbers[happening.after]
        told.append(link | {"after": after})
    return told
