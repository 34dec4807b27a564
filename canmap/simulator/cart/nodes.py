"""Simulator: nodes and their timers: which message is handed to a controller, when, with what in it.

In: the states that the cart went through. Out: releases for the bus, as columns. Each node has a clock of its
own, off by some millionths; each message a phase, new with each start of its node, and a little jitter. What
goes wrong in a sender goes wrong here. When a timer runs out depends only on the seed, its number and when
its node started, so a span may be cut anywhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import rows_of
from canmap.simulator.buses.frame import Frame, new_frame
from canmap.simulator.buses.network import Release, new_release
from canmap.simulator.cart.trouble import Trouble
from canmap.simulator.noise import even, even_ns, even_one

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from canmap.simulator.cart.kit import Event
    from canmap.simulator.cart.messages import Moments, Values
    from canmap.simulator.cart.payloads import Layout
    from canmap.simulator.cart.states import Numbers, State, States

MS = 1_000_000
WIDTH = 8  # payload bytes of a classic frame
JITTER_NS = 150_000
CLOCK_SPREAD = 30e-6  # of a quartz, common practice
LARGEST_PHASE_NS = 40 * MS
BOOT_ID = 0x7A0  # plus the number of the node; no description speaks of it
WAKE_NS = 12 * MS  # from supply to the boot message
TWICE_NS = MS  # between two frames that should be one
FIRST_NS = 20 * MS  # and to the first timers


@dataclass(slots=True)
class Timing:
    """When a message is sent.

    Attributes:
        period_ns: Of its timer.
        on_change: It is sent only when its values have changed, or after `heartbeat_ns`.
        heartbeat_ns: See `on_change`.
        gap_ns: Shortest time between two frames of an `on_change` message.
        events: It is sent once for each event of the kit.
    """

    period_ns: int
    on_change: bool = False
    heartbeat_ns: int = 0
    gap_ns: int = 0
    events: bool = False


class Releases(NamedTuple):
    """Frames that one or more nodes hand to their controllers.

    Attributes:
        t_ns: int64[n], when.
        node: int64[n], index of the node.
        can_id: int64[n], with `EXTENDED` where it has 29 bits.
        length: int64[n], payload bytes.
        payload: uint8[n, 8].
    """

    t_ns: NDArray[np.int64]
    node: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    payload: NDArray[np.uint8]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Releases:
        """Return the frames at `rows`."""
        return Releases(**rows_of(self._asdict(), rows))


def batch(t_ns: NDArray[np.int64], node: int, can_id: int, payload: NDArray[np.uint8]) -> Releases:
    """Return frames of one message, whose payloads are uint8[n, length]."""
    n, length = payload.shape
    wide = np.zeros((n, WIDTH), np.uint8)
    wide[:, :length] = payload
    return Releases(t_ns, np.full(n, node), np.full(n, can_id), np.full(n, length), wide)


def ordered(batches: list[Releases]) -> Releases:
    """Return all frames by time; of the same time, in the order of the list."""
    if not batches:
        none = np.zeros(0, np.int64)
        return Releases(none, none, none, none, np.zeros((0, WIDTH), np.uint8))
    whole = Releases(*(np.concatenate(columns) for columns in zip(*batches, strict=True)))
    return whole.take(np.argsort(whole.t_ns, kind="stable"))


class Sender:
    """Sends one message.

    Attributes:
        name: Of the message.
        node: Index of its node on the bus.
        layout: How it is packed.
        timing: When it is sent.
        trouble: What is wrong with it.
        muted: Its node does not want to send it.
        unit: Name of its node.
        count: Frames so far, since its node started.
        enable: Its enable bit, if it has one.
    """

    def __init__(
        self,
        layout: Layout,
        node: int,
        timing: Timing,
        tell: Callable[[Moments, Numbers], Values],
        enable: str = "Enable",
    ) -> None:
        self.enable = enable
        self.name, self.node, self.layout, self.timing = layout.message.name, node, layout, timing
        self.trouble, self.count, self.unit = Trouble(), 0, layout.message.sender or ""
        self.muted, self.phase_ns = False, 0
        self._tell = tell
        self._tell_one = cast("Callable[[State, int], dict[str, float]]", tell)  # a number of each
        self._seed, self._starts, self._ticks, self._first_ns, self._clock = 0, 0, 0, 0, 1.0
        self._stood = 0  # frames so far in which the counter stood still
        self._frozen: dict[str, float] | None = None
        self._last: tuple[object, ...] | None = None
        self._last_ns = 0
        self._handed_ns = 0  # when the newest frame goes to the controller, if frames wait for each other
        self._payload: bytes | None = None

    def start(self, first_ns: int, clock: float, seed: int) -> None:
        """Begin to count anew, as after a restart of its node."""
        self.count, self._ticks, self._stood, self._last, self._frozen = 0, 0, 0, None, None
        self._handed_ns = 0  # what it held back is lost
        self._first_ns, self._clock, self._seed = first_ns + self.phase_ns, clock, seed
        self._starts += 1

    def twin(self, node: int, alter: Callable[[Values], Values]) -> Sender:
        """Return a sender of the same message in another node; `alter` makes its values of these here."""

        def tell(states: Moments, numbers: Numbers) -> Values:
            return alter(self._tell(states, numbers))

        other = Sender(self.layout, node, self.timing, tell, self.enable)
        other.name = f"second {self.name}"
        return other

    def due(self, until_ns: int) -> NDArray[np.int64]:
        """Return when its timer runs out next, before `until_ns`; `run` takes the times out."""
        period = self.timing.period_ns * self._clock
        most = max(0, int((until_ns - self._first_ns) / period) + 1 - self._ticks)
        numbers = self._ticks + np.arange(most)
        jitter = even_ns(self._seed, f"timer {self.name} {self._starts}", numbers, JITTER_NS)
        times: NDArray[np.int64] = self._first_ns + np.rint(numbers * period).astype(np.int64) + jitter
        return times[times < until_ns]

    def run(self, times: NDArray[np.int64], states: States, events: list[Event]) -> Releases | None:
        """Return what the next timers, which ran out at `times`, make of the states then.

        Args:
            times: int64[n], as `due` gave them.
            states: At those times.
            events: Of the kit, waiting to be sent; those that are sent are taken out.
        """
        self._ticks += len(times)
        trouble = self.trouble
        if trouble.stopped or self.muted or not len(times):
            return None
        if self.timing.events:
            return self._events(times, events)
        numbers = self.count + np.arange(len(times))
        values = self._tell(states, numbers)
        if self.timing.on_change:
            rows = self._changed(values, times)
            if not rows:
                return None
            values = {name: np.broadcast_to(column, times.shape)[rows] for name, column in values.items()}
            times, numbers = times[rows], self.count + np.arange(len(rows))
        return self._packed(times, self._stated(values, numbers), numbers)

    def run_one(self, t_ns: int, state: State, events: list[Event]) -> list[Release]:
        """Return what the next timer, which ran out at `t_ns`, makes of the state then; see `run`."""
        self._ticks += 1
        trouble = self.trouble
        if trouble.stopped or self.muted:
            return []
        number = self.count
        if self.timing.events:
            event = _happened(t_ns, events)
            if event is None:
                return []
            return self._packed_one(
                t_ns, {"Code": event.reason, "Axis": event.axis, "Number": number + 1}, number
            )
        values = self._tell_one(state, number)
        if self.timing.on_change and not self._is_news(t_ns, tuple(values.values())):
            return []
        if trouble.frozen or trouble.changes or trouble.enable is not None:
            return self._packed_one(t_ns, _first(self._stated({**values}, number)), number)
        self._frozen = None
        return self._packed_one(t_ns, values, number)

    def _stated(self, values: Values, numbers: Numbers) -> Values:
        """Return what the frames `numbers` state in place of `values`, which are true."""
        trouble = self.trouble
        if trouble.frozen:
            self._frozen = self._frozen or _first(values)
            values = {**self._frozen}  # what is done to it is done to each frame anew
        else:
            self._frozen = None
        if trouble.enable is not None:
            values[self.enable] = float(trouble.enable)
        for change in trouble.changes:
            change(values, np.atleast_1d(numbers), self._seed)
        return values

    def _packed(self, times: NDArray[np.int64], values: Values, numbers: NDArray[np.int64]) -> Releases:
        trouble = self.trouble
        if trouble.stuck and self._payload is not None:
            same = np.frombuffer(self._payload, np.uint8).reshape(1, -1)
            payload = np.repeat(same, len(times), axis=0)
            return batch(self._queued(times), self.node, self.layout.wire_id, payload)
        counters = numbers - self._stood
        if trouble.stuck_counter:
            counters = np.full_like(numbers, self.count - self._stood - 1)
            self._stood += len(numbers)
        self.count += len(numbers)
        payload = self.layout.pack(values, counters, trouble.broken)
        self._payload = payload[-1].tobytes()
        if trouble.bunches is not None:
            times = trouble.bunches.released(times, self.timing.period_ns)
        if trouble.twice:
            times, payload = np.repeat(times, 2), np.repeat(payload, 2, axis=0)
            times[1::2] += TWICE_NS
            numbers = np.repeat(numbers, 2)
        whole = batch(self._queued(times), self.node, self.layout.wire_id, payload)
        if trouble.lost:
            whole = whole.take(even(self._seed, self._loss, numbers) >= trouble.lost)
        return whole

    def _packed_one(self, t_ns: int, values: dict[str, float], number: int) -> list[Release]:
        trouble, message = self.trouble, self.layout.message
        if trouble.stuck and self._payload is not None:
            frame = Frame(message.can_id, self._payload, message.extended)
            return [Release(each_ns, self.node, frame) for each_ns in self._queued_each(t_ns)]
        self.count += 1
        self._stood += trouble.stuck_counter
        if trouble.bunches is not None:
            t_ns = int(trouble.bunches.released(np.array([t_ns]), self.timing.period_ns)[0])
        self._payload = payload = self.layout.pack_one(values, number - self._stood, trouble.broken)
        frame = new_frame((message.can_id, payload, message.extended, False, 0, 0))
        if not (trouble.twice or trouble.late or trouble.lost):
            return [new_release((t_ns, self.node, frame, None))]
        times = self._queued_each(t_ns, t_ns + TWICE_NS) if trouble.twice else self._queued_each(t_ns)
        if trouble.lost and even_one(self._seed, self._loss, number) < trouble.lost:
            return []
        return [new_release((each_ns, self.node, frame, None)) for each_ns in times]

    def _queued(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return when frames reach the controller that are made at `times`, int64[n]: in the same order."""
        if self.trouble.late is None:
            return times
        times = self.trouble.late.released(times, self._handed_ns)
        self._handed_ns = int(times[-1])
        return times

    def _queued_each(self, *times: int) -> Sequence[int]:
        return times if self.trouble.late is None else self._queued(np.array(times)).tolist()

    @property
    def _loss(self) -> str:
        return f"loss of {self.name} {self._starts}"

    def _changed(self, values: Values, times: NDArray[np.int64]) -> list[int]:
        """Return at which of the times a message that is sent on change is sent."""
        columns = [np.broadcast_to(column, times.shape).tolist() for column in values.values()]
        rows = enumerate(zip(times.tolist(), *columns, strict=True))
        return [row for row, (t_ns, *stated) in rows if self._is_news(t_ns, tuple(stated))]

    def _is_news(self, t_ns: int, stated: tuple[object, ...]) -> bool:
        """Tell whether a message that is sent on change is sent now, and remember it if so."""
        least_ns = self.timing.heartbeat_ns if stated == self._last else self.timing.gap_ns
        if self._last is not None and t_ns - self._last_ns < least_ns:
            return False
        self._last, self._last_ns = stated, t_ns
        return True

    def _events(self, times: NDArray[np.int64], events: list[Event]) -> Releases | None:
        """Send one event a timer, each once it has happened."""
        happened = [(t_ns, _happened(t_ns, events)) for t_ns in (times.tolist() if events else ())]
        sent = [(t_ns, event) for t_ns, event in happened if event is not None]
        if not sent:
            return None
        numbers = self.count + np.arange(len(sent))
        values: Values = {
            "Code": np.array([event.reason for _, event in sent], np.float64),
            "Axis": np.array([event.axis for _, event in sent], np.float64),
            "Number": numbers + 1,
        }
        return self._packed(np.array([t_ns for t_ns, _ in sent]), values, numbers)


def _happened(t_ns: int, events: list[Event]) -> Event | None:
    """Take out and return the first of the events, if it has happened by `t_ns`."""
    return events.pop(0) if events and events[0].t_ns <= t_ns else None


def _first(values: Values) -> dict[str, float]:
    """Return the first of each column, as a number."""
    return {name: float(np.ravel(column)[0]) for name, column in values.items()}


def boot_message(number: int, starts: int) -> tuple[int, bytes]:
    """Return the identifier and the payload of what a node sends when it starts."""
    return BOOT_ID + number, b"BOOT" + bytes((number, min(starts, 255)))


class SuppliedNode:
    """A node with its supply and its messages.

    Attributes:
        name: As the description names it.
        index: On its bus.
        number: In its boot message, None: it sends none.
        senders: Its messages.
        on: It has its supply and runs.
        forgot: Its supply went while it held frames back, which are lost; whoever has them sets it to False.
        starts: How often it was started.
        clock: Its seconds, as the nominal timer periods count them, per true second.
    """

    def __init__(
        self,
        name: str,
        index: int,
        number: int | None,
        senders: tuple[Sender, ...],
        seed: int,
        announce: Callable[[int, int], tuple[int, bytes]] = boot_message,
    ) -> None:
        self.name, self.index, self.number, self.senders = name, index, number, senders
        self._announce = announce
        self.on, self.forgot, self.starts, self._seed = False, False, 0, seed
        zero = np.zeros(1, np.int64)
        self.clock = 1.0 + CLOCK_SPREAD * (2.0 * float(even(seed, f"clock {name}", zero)[0]) - 1.0)
        for sender in senders:
            sender.phase_ns = self._phase_ns(sender, "", 0)
        self._boot: list[Releases] = []

    def power(self, on: bool, t_ns: int) -> None:
        """Switch its supply: on, it sends its boot message and starts its timers."""
        if on is self.on:
            return
        self.on = on
        self._boot.clear()
        if not on:
            self.forgot = any(sender.trouble.late for sender in self.senders)
            return
        self.starts += 1
        for sender in self.senders:
            if self.starts > 1:  # each of its timers starts anew
                sender.phase_ns = self._phase_ns(sender, f" {self.starts}", t_ns)
            sender.start(t_ns + FIRST_NS, self.clock, self._seed)
        if self.number is not None:
            late_ns = int(even_ns(self._seed, f"boot {self.name}", np.array([self.starts]), MS)[0])
            can_id, stated = self._announce(self.number, self.starts)
            t = np.array([t_ns + WAKE_NS + late_ns])
            payload = np.frombuffer(stated, np.uint8).reshape(1, -1)
            self._boot.append(batch(t, self.index, can_id, payload))

    def _phase_ns(self, sender: Sender, which: str, t_ns: int) -> int:
        """Draw how long after a start at `t_ns` the first timer of a message runs out."""
        largest = min(sender.timing.period_ns, LARGEST_PHASE_NS) - 1
        drawn = even_ns(self._seed, f"phase {sender.name}{which}", np.array([t_ns]), largest)
        return int(drawn[0])

    def boot(self, until_ns: int) -> list[Releases]:
        """Return and forget the boot message, if it is due before `until_ns`."""
        due = [one for one in self._boot if one.t_ns[0] < until_ns]
        self._boot = [one for one in self._boot if one.t_ns[0] >= until_ns]
        return due
