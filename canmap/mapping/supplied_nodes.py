"""What a manual says of the nodes of a kit, and of the stop chain that cuts their supply."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from fractions import Fraction

    from canmap.mapping.refs import MessageRef, Requirement, SignalRef


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeRule:
    """A node of the kit: its supply, and how it tells that it started.

    Attributes:
        name: As the description names it.
        axis: The axis that it moves, "" for none.
        supply: Tells the voltage of its supply.
        lowest_supply: What it needs, in the unit that the description gives `supply`.
        restart_count: Counts how often it was started.
        uptime: For how long it has been running.
        uptime_step_ns: One raw count of that, in ns.
        boot: What it sends once when it starts.
        start_time_ns: Longest time from its start until all its messages come, None where not promised.
        hold_up_ns: For how long it goes on sending without its supply.
        page: Of the manual, "" where the spec does not tell.
    """

    name: str
    axis: str = ""
    supply: SignalRef | None = None
    lowest_supply: Fraction | None = None
    restart_count: SignalRef | None = None
    uptime: SignalRef | None = None
    uptime_step_ns: Fraction | None = None
    boot: MessageRef | None = None
    start_time_ns: int | None = None
    hold_up_ns: int = 0
    page: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChainRule:
    """The chain from whoever asks for a stop, through the stop loop, to the supply that it cuts.

    Each of what reports it is a yes or no of a record: record and field.

    Attributes:
        sources: Who asks for a stop: yes while one does.
        loop: Yes while the stop loop is open.
        supply: Yes while the supply is cut; None where nothing reports it.
        cuts: Supply groups that have to fall silent.
        within_ns: Longest time from the request to a supply that is cut.
        switched_off: Yes while someone switched the supply off without a stop.
        opened: An event that tells that the loop opened, however shortly; None where none does.
        page: Of the manual, "" where the spec does not tell.
    """

    sources: tuple[tuple[str, str], ...] = ()
    loop: tuple[str, str]
    supply: tuple[str, str] | None = None
    cuts: tuple[str, ...] = ()
    within_ns: int
    switched_off: tuple[tuple[str, str], ...] = ()
    opened: Requirement | None = None
    page: str = ""
