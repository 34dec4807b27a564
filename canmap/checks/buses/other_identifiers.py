"""Channels that carry identifiers, but none of the bus that listens: another vehicle, or another length."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import times

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.checks.check import Setting
    from canmap.mapping.model import Bus
    from canmap.timing.arrivals import Timeline

LEAST = 2  # messages that must have failed to come: one alone may just be missing


def why_none_came(setting: Setting, bus: Bus, ids: Sequence[int], timeline: Timeline) -> str | None:
    """Return what is wrong with a bus of which nothing came where it listens, or None.

    Args:
        setting: The spec and its plan.
        bus: The bus.
        ids: The identifiers on its channel that its description does not know, extended << 31 | id.
        timeline: When the messages came, at the end.
    """
    slots = [slot for slot, described in enumerate(setting.plan.slots) if described.bus_name == bus.name]
    overdue = [slot for slot in slots if _is_overdue(setting, slot, timeline)]
    if not ids or len(overdue) < LEAST or timeline.seen[slots].any():
        return None
    messages, known = [setting.plan.slots[slot].message for slot in slots], set(ids)
    other = [m for m in messages if (not m.extended) << 31 | m.can_id in known and m.group is None]
    begin = f"No message of bus {bus.name} came on channel {bus.channel}, but"
    if len(other) >= LEAST and 2 * len(other) >= len(overdue):
        has, should = (11, 29) if other[0].extended else (29, 11)
        return (
            f"{begin} {len(other)} of its identifiers did with {has} bits instead of {should}: "
            "correct them in the description."
        )
    return (
        f"{begin} {times(len(ids), 'other identifier')} did: "
        "check that capture and description are of one vehicle, and that its nodes had power."
    )


def _is_overdue(setting: Setting, slot: int, timeline: Timeline) -> bool:
    """Tell whether a message should have come by the end, if it has not."""
    limit_ns = setting.rules[slot].stale_after_ns
    if limit_ns is None:
        return slot in setting.mapped and bool(timeline.activity.ever[slot])
    return bool(timeline.silence_ns[slot] > limit_ns)
