"""The frames of some messages together, in the order in which they came."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.refs import MessageRef
    from canmap.stream.view import View


def slots_of_nodes(nodes: Iterable[str], setting: Setting, without: MessageRef | None = None) -> list[int]:
    """Return the slots of what some nodes send, one message left out."""
    wanted = set(nodes)
    rules = setting.rules[: len(setting.plan.slots)]
    left_out = None if without is None else setting.plan.slot_of[without.bus, without.message]
    return [slot for slot, rule in enumerate(rules) if rule.sender in wanted and slot != left_out]


def channels_of(slots: Iterable[int], setting: Setting) -> frozenset[str]:
    """Return the channels on which messages come."""
    return frozenset(setting.spec.buses[setting.rules[slot].bus].channel for slot in slots)


def ends_of(slots: Sequence[int], view: View) -> tuple[int, int] | None:
    """Return the places of the first and the last frame of some slots in a chunk; None for no frame."""
    arrived = view.prepared.arrived
    bounds = [(int(arrived.slot_start[slot]), int(arrived.slot_start[slot + 1])) for slot in slots]
    there = [(first, after) for first, after in bounds if first < after]
    if not there:
        return None
    first = min(int(arrived.rows[first]) for first, _ in there)
    return first, max(int(arrived.rows[after - 1]) for _, after in there)


def frames_of(slots: Sequence[int], view: View) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the frames of some slots in a chunk, failed ones included.

    Returns:
        intp[n], their places in the chunk, ascending, and intp[n], which of `slots` each is of.
    """
    arrived, start = view.prepared.arrived, view.prepared.arrived.slot_start
    parts = [arrived.rows[start[slot] : start[slot + 1]] for slot in slots]
    of = np.arange(len(parts)).repeat([len(part) for part in parts])
    rows = np.concatenate([np.zeros(0, np.intp), *parts])
    order = rows.argsort(kind="stable")
    return rows[order], of[order]
