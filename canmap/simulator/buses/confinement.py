"""Simulator: error counters and fault confinement states of the nodes of one bus.

The rules of ISO 11898-1 on fault confinement, from memory: a sender that raises an error flag counts 8, a
receiver that sees an error 1; a frame sent or received well takes 1 off; above 127 a node is error passive,
above 255 (transmit) it is bus-off; from there it comes back, with both counters 0, once its program wants to
and 128 sequences of 11 recessive bits have passed then. A passive sender that gets no acknowledgement does
not count. A receiver whose flag the others answer, because it alone saw an error, counts 8. Where the bus
stays dominant after an error flag, everybody counts 8 for every 8 bits.
"""

from __future__ import annotations

from functools import cache, partial
from typing import TYPE_CHECKING, NamedTuple

from canmap.simulator.buses.network import BusConfig, ErrorKind, NodeState, StateChange, new_change

if TYPE_CHECKING:
    from collections.abc import Callable

SENDER_STEP = 8
RECEIVER_STEP = 1
PASSIVE_ABOVE = 127
BUS_OFF_ABOVE = 255
RECEIVE_AFTER_PASSIVE = 119  # the standard allows 119 to 127
RECOVERY_SEQUENCES = 128
SEQUENCE_BITS = 11
# Names of a module are found ten times as fast as members of an enumeration.
ERROR_ACTIVE, ERROR_PASSIVE, BUS_OFF = NodeState.ERROR_ACTIVE, NodeState.ERROR_PASSIVE, NodeState.BUS_OFF
ACKNOWLEDGE = ErrorKind.ACKNOWLEDGE
# What each receive error counter is after a frame that went well, and those that errors leave as they are:
# for `translate`, as loops take many times as long.
_ONE_OFF = bytes((0, *range(255)))
_STAYING = bytes(range(PASSIVE_ABOVE + 1, 256))


@cache
def _more(times: int) -> bytes:
    """Return what each receive error counter is after so many errors, for `translate`."""
    return bytes(count + times * RECEIVER_STEP if count <= PASSIVE_ABOVE else count for count in range(256))


class Series(NamedTuple):
    """Failures of one sender in a row.

    Attributes:
        times: With so many of them, the first state changes.
        transmit: Its counter before, which grows with each by `SENDER_STEP`.
        receive: The highest counter of those who count its errors, which grows with each by `RECEIVER_STEP`.
        still: The highest counter of all others before, which is told as long as it is higher than that.
    """

    times: int
    transmit: int
    receive: int
    still: int


new_series: Callable[[tuple[object, ...]], Series] = partial(tuple.__new__, Series)


class Confinement:
    """The counters and states of all nodes of a bus.

    Attributes:
        transmit: Transmit error counter of each node.
        receive: Receive error counter of each.
        state: State of each.
        changes: Every change of a state so far, in order.
        outages: Those of them by which a node falls silent or comes back.
        recovering: Nodes that come back from bus-off, and how many recessive sequences each still waits for.
        calm: Every node is error active with both counters 0.
        alone: Nobody is there to acknowledge.
    """

    def __init__(self, config: BusConfig) -> None:
        nodes = len(config.nodes)
        self._recovers = [node.recovers and not node.recovery_ns for node in config.nodes]
        self._acknowledged = config.acknowledged
        self._misreads: set[int] = set()  # nodes to which no frame is a good one
        self._silent: list[int] = []  # nodes that have no part in the bus
        self.transmit = [0] * nodes
        self.receive = bytearray(nodes)
        self.state = [ERROR_ACTIVE] * nodes
        self.changes: list[StateChange] = []
        self.outages: list[StateChange] = []
        self.recovering: dict[int, int] = {}
        self.calm = True
        self.alone = nodes == 1 and not config.acknowledged

    def silent(self, node: int) -> bool:
        """Return whether `node` has no part in the bus."""
        return self.state[node] >= BUS_OFF

    def passive(self, node: int) -> bool:
        """Return whether `node` is error passive."""
        return self.state[node] is ERROR_PASSIVE

    def sent(self, t_ns: int, sender: int) -> None:
        """Count a frame that went well."""
        receive, sent = self.receive, self.transmit[sender]
        crossed = sent == PASSIVE_ABOVE + 1
        if sent:
            self.transmit[sender] = sent - 1
        if self._silent or self._misreads or not receive.isascii():  # a byte above 127: `PASSIVE_ABOVE`
            self._received(t_ns, sender, crossed=crossed)
        else:  # as nearly always
            own = receive[sender]
            receive[:] = receive.translate(_ONE_OFF)
            receive[sender] = own
            if crossed:
                self._judge_one(t_ns, sender)
        self.calm = not (sent > 1 or any(receive) or any(self.transmit) or any(self.state))

    def _received(self, t_ns: int, sender: int, *, crossed: bool) -> None:
        """Count a frame that went well for those who get it; judge its sender too if it has `crossed`."""
        receive, transmit, state, misreads = self.receive, self.transmit, self.state, self._misreads
        for node, received in enumerate(receive):
            if node == sender:
                if crossed:
                    self._judge_one(t_ns, node)
            elif received and state[node] < BUS_OFF and node not in misreads:
                if received <= PASSIVE_ABOVE:
                    receive[node] = received - 1
                    continue
                receive[node] = RECEIVE_AFTER_PASSIVE
                if transmit[node] <= PASSIVE_ABOVE:  # as `_enter`, which is not called, as this is so often
                    state[node] = ERROR_ACTIVE
                    self.changes.append(
                        new_change((t_ns, node, ERROR_ACTIVE, transmit[node], RECEIVE_AFTER_PASSIVE))
                    )

    def failed(self, t_ns: int, senders: tuple[int, ...], kind: ErrorKind, *, seen: bool = True) -> None:
        """Count an error frame of `senders`; `seen` by the receivers, which then count it too."""
        crossed = False
        for sender in senders:
            if not (kind is ACKNOWLEDGE and self.passive(sender)):
                sent = self.transmit[sender] = self.transmit[sender] + SENDER_STEP
                crossed = (
                    crossed or PASSIVE_ABOVE < sent <= PASSIVE_ABOVE + SENDER_STEP or sent > BUS_OFF_ABOVE
                )
        if seen and kind is not ACKNOWLEDGE:
            crossed = crossed or PASSIVE_ABOVE in self.receive
            self._count_seen(senders, 1)
        self.calm = False
        if crossed:
            self._judge_each(t_ns)

    def series(self, sender: int) -> Series:
        """Return how `sender` and the others count while it fails, and nobody else sends."""
        sent = self.transmit[sender]
        others = self.receive.copy()
        del others[sender]
        still = max(others, default=0)
        if self._silent:
            others = bytearray(
                [each for node, each in enumerate(self.receive) if node != sender and not self.silent(node)]
            )
        counting = max(others.translate(None, _STAYING), default=-PASSIVE_ABOVE)
        limit = PASSIVE_ABOVE if sent <= PASSIVE_ABOVE else BUS_OFF_ABOVE
        times = min((limit - sent) // SENDER_STEP + 1, PASSIVE_ABOVE + 1 - counting)
        return new_series((times, sent, counting, still))

    def failed_often(self, t_ns: int, sender: int, times: int, *, crossed: bool) -> None:
        """Count error frames of `sender`, none of them for want of an acknowledgement.

        Args:
            t_ns: End of the last.
            sender: Who sent.
            times: How many, not more than in its `series`.
            crossed: The last one changes a state.
        """
        self.transmit[sender] += SENDER_STEP * times
        self.calm = False
        before = bytes(self.receive)
        self._count_seen((sender,), times)
        if not crossed:
            return
        for node, received in enumerate(self.receive):
            if node == sender:
                self._judge_one(t_ns, node)
            elif received > PASSIVE_ABOVE >= before[node] and self.state[node] is ERROR_ACTIVE:
                self.state[node] = ERROR_PASSIVE  # as `_enter`
                self.changes.append(new_change((t_ns, node, ERROR_PASSIVE, self.transmit[node], received)))

    def _count_seen(self, senders: tuple[int, ...], times: int) -> None:
        """Count error frames of `senders` for all that see them."""
        receive = self.receive
        before = bytes(receive)
        receive[:] = before.translate(_more(times))
        for node in (*senders, *self._silent):
            receive[node] = before[node]

    def held(self, t_ns: int, senders: list[int], sequences: int) -> None:
        """Count sequences of dominant bits after an error flag of `senders`: 8 for everybody, of each."""
        for node in range(len(self.receive)):
            if node in senders:
                self.transmit[node] += SENDER_STEP * sequences
            elif not self.silent(node):
                self.receive[node] = min(self.receive[node] + SENDER_STEP * sequences, PASSIVE_ABOVE + 1)
        self._judge(t_ns)

    def flagged(self, node: int) -> None:
        """Count what a receiver that reads no frame rightly counts beyond `failed`, having flagged one."""
        self._misreads.add(node)
        self.receive[node] = min(self.receive[node] + SENDER_STEP - RECEIVER_STEP, PASSIVE_ABOVE)

    def ask(self, node: int, off_ns: int) -> None:
        """Let `node` come back after the next recessive sequences, if it is bus-off ever since `off_ns`."""
        since_ns = next((change.t_ns for change in reversed(self.outages) if change.node == node), None)
        if self.state[node] is BUS_OFF and since_ns == off_ns:
            self.recovering[node] = RECOVERY_SEQUENCES

    def supply(self, t_ns: int, node: int, *, on: bool) -> None:
        """Switch `node` on, with counters at 0, or off."""
        self.transmit[node] = self.receive[node] = 0
        self.recovering.pop(node, None)
        self._enter(t_ns, node, ERROR_ACTIVE if on else NodeState.UNPOWERED)
        self._judge(t_ns)

    def worst_receive(self, sender: int) -> int:
        """Return the highest receive counter of the nodes beside `sender`."""
        others = self.receive.copy()
        others[sender] = 0
        return max(others)

    def count_recessive(self, sequences: int) -> None:
        """Tell that `sequences` of 11 recessive bits have passed."""
        for node in self.recovering:
            self.recovering[node] -= sequences

    def recover(self, t_ns: int) -> None:
        """Let the nodes come back that have seen enough recessive sequences."""
        back = [node for node, needed in self.recovering.items() if needed <= 0]
        if not back:
            return
        for node in back:
            del self.recovering[node]
            self.transmit[node] = self.receive[node] = 0
            self._enter(t_ns, node, NodeState.ERROR_ACTIVE)
        self._judge(t_ns)

    def _judge(self, t_ns: int) -> None:
        """Say in which states the nodes are, and whether all is calm."""
        self._judge_each(t_ns)
        self.calm = not (any(self.transmit) or any(self.receive) or any(self.state))

    def _judge_each(self, t_ns: int) -> None:
        for node in range(len(self.state)):
            self._judge_one(t_ns, node)

    def _judge_one(self, t_ns: int, node: int) -> None:
        state, sent = self.state[node], self.transmit[node]
        if state >= BUS_OFF:
            return
        if sent > BUS_OFF_ABOVE:
            self._enter(t_ns, node, BUS_OFF)
            if self._recovers[node]:
                self.recovering[node] = RECOVERY_SEQUENCES
        elif (sent > PASSIVE_ABOVE or self.receive[node] > PASSIVE_ABOVE) is (state is ERROR_ACTIVE):
            self._enter(t_ns, node, ERROR_PASSIVE if state is ERROR_ACTIVE else ERROR_ACTIVE)

    def _enter(self, t_ns: int, node: int, state: NodeState) -> None:
        before = self.state[node]
        if state is before:
            return
        self.state[node] = state
        self.changes.append(new_change((t_ns, node, state, self.transmit[node], self.receive[node])))
        if state >= BUS_OFF or before >= BUS_OFF:
            self.outages.append(self.changes[-1])
            self._silent = [each for each, now in enumerate(self.state) if now >= BUS_OFF]
            self.alone = len(self.state) - len(self._silent) + self._acknowledged <= 1
