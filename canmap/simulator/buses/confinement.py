"""Simulator: error counters and fault confinement states of the nodes of one bus.

The rules of ISO 11898-1 on fault confinement, from memory: a sender that raises an error flag counts 8, a
receiver that sees an error 1; a frame sent or received well takes 1 off; above 127 a node is error passive,
above 255 (transmit) it is bus-off; from there it comes back, with both counters 0, once its program wants to
and 128 sequences of 11 recessive bits have passed then. A passive sender that gets no acknowledgement does
not count. A receiver whose flag the others answer, because it alone saw an error, counts 8. Where the bus
stays dominant after an error flag, everybody counts 8 for every 8 bits.
"""

from __future__ import annotations

from canmap.simulator.buses.network import BusConfig, ErrorKind, NodeState, StateChange

SENDER_STEP = 8
RECEIVER_STEP = 1
PASSIVE_ABOVE = 127
BUS_OFF_ABOVE = 255
RECEIVE_AFTER_PASSIVE = 119  # the standard allows 119 to 127
RECOVERY_SEQUENCES = 128
SEQUENCE_BITS = 11


class Confinement:
    """The counters and states of all nodes of a bus."""

    def __init__(self, config: BusConfig) -> None:
        nodes = len(config.nodes)
        self._recovers = [node.recovers and not node.recovery_ns for node in config.nodes]
        self._acknowledged = config.acknowledged
        self._needed: dict[int, int] = {}  # bus-off node: recessive sequences still to come
        self._misreads: set[int] = set()  # nodes to which no frame is a good one
        self.transmit = [0] * nodes
        self.receive = [0] * nodes
        self.state = [NodeState.ERROR_ACTIVE] * nodes
        self.changes: list[StateChange] = []
        self.calm = True  # every node is error active with both counters 0
        self.alone = nodes == 1 and not config.acknowledged

    def silent(self, node: int) -> bool:
        """Return whether `node` has no part in the bus."""
        return self.state[node] >= NodeState.BUS_OFF

    def passive(self, node: int) -> bool:
        """Return whether `node` is error passive."""
        return self.state[node] is NodeState.ERROR_PASSIVE

    def sent(self, t_ns: int, sender: int) -> None:
        """Count a frame that went well."""
        for node, received in enumerate(self.receive):
            if node == sender or self.silent(node) or node in self._misreads:
                continue
            self.receive[node] = RECEIVE_AFTER_PASSIVE if received > PASSIVE_ABOVE else max(received - 1, 0)
        self.transmit[sender] = max(self.transmit[sender] - 1, 0)
        self._judge(t_ns)

    def failed(self, t_ns: int, senders: tuple[int, ...], kind: ErrorKind, *, seen: bool = True) -> None:
        """Count an error frame of `senders`; `seen` by the receivers, which then count it too."""
        for sender in senders:
            if not (kind is ErrorKind.ACKNOWLEDGE and self.passive(sender)):
                self.transmit[sender] += SENDER_STEP
        if seen and kind is not ErrorKind.ACKNOWLEDGE:
            for node in range(len(self.receive)):
                if node not in senders and not self.silent(node):
                    self.receive[node] = min(self.receive[node] + RECEIVER_STEP, PASSIVE_ABOVE + 1)
        self._judge(t_ns)

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
        since_ns = next((change.t_ns for change in reversed(self.changes) if change.node == node), None)
        if self.state[node] is NodeState.BUS_OFF and since_ns == off_ns:
            self._needed[node] = RECOVERY_SEQUENCES

    def supply(self, t_ns: int, node: int, *, on: bool) -> None:
        """Switch `node` on, with counters at 0, or off."""
        self.transmit[node] = self.receive[node] = 0
        self._needed.pop(node, None)
        self._enter(t_ns, node, NodeState.ERROR_ACTIVE if on else NodeState.UNPOWERED)
        self._judge(t_ns)

    def worst_receive(self, sender: int) -> int:
        """Return the highest receive counter of the nodes beside `sender`."""
        return max((count for node, count in enumerate(self.receive) if node != sender), default=0)

    def count_recessive(self, sequences: int) -> None:
        """Tell that `sequences` of 11 recessive bits have passed."""
        self._needed = {node: needed - sequences for node, needed in self._needed.items()}

    def sequences_needed(self) -> int | None:
        """Return after how many recessive sequences the next node comes back; None: nobody waits."""
        return min(self._needed.values(), default=None)

    def recover(self, t_ns: int) -> None:
        """Let the nodes come back that have seen enough recessive sequences."""
        for node in [node for node, needed in self._needed.items() if needed <= 0]:
            del self._needed[node]
            self.transmit[node] = self.receive[node] = 0
            self._enter(t_ns, node, NodeState.ERROR_ACTIVE)
        self._judge(t_ns)

    def _judge(self, t_ns: int) -> None:
        if any(self.state) or max(*self.transmit, *self.receive, 0) > PASSIVE_ABOVE:
            self._judge_each(t_ns)
        listening = len(self.state) - sum(state >= NodeState.BUS_OFF for state in self.state if state)
        self.alone = listening + self._acknowledged <= 1
        self.calm = not (any(self.transmit) or any(self.receive) or any(self.state))

    def _judge_each(self, t_ns: int) -> None:
        for node, state in enumerate(self.state):
            if state >= NodeState.BUS_OFF:
                continue
            if self.transmit[node] > BUS_OFF_ABOVE:
                self._enter(t_ns, node, NodeState.BUS_OFF)
                if self._recovers[node]:
                    self._needed[node] = RECOVERY_SEQUENCES
            elif max(self.transmit[node], self.receive[node]) > PASSIVE_ABOVE:
                self._enter(t_ns, node, NodeState.ERROR_PASSIVE)
            else:
                self._enter(t_ns, node, NodeState.ERROR_ACTIVE)

    def _enter(self, t_ns: int, node: int, state: NodeState) -> None:
        if state is not self.state[node]:
            self.state[node] = state
            self.changes.append(StateChange(t_ns, node, state, self.transmit[node], self.receive[node]))
