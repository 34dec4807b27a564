"""A sender makes the same frames one by one as in columns, of any states and with any trouble.

So it makes the same however its run is cut.
"""

from __future__ import annotations

from copy import copy
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canmap.simulator.cart.kit import Event, Reason
from canmap.simulator.cart.nodes import MS, Releases, Sender
from canmap.simulator.cart.states import FIELDS, State, States
from canmap.simulator.cart.trouble import Late, Trouble
from canmap.simulator.cart.vehicle import VehicleParameters
from canmap.simulator.cart.world import Plan, Setup, World
from tests.streams import spec_of

if TYPE_CHECKING:
    from canmap.simulator.cart.messages import Values

MEASURES = VehicleParameters()
YES_OR_NO = ("steering_enable", "brake_enable", "drive_enable", "parking", "pressed", "link_lost", "supply")


def doubled(values: Values, numbers: np.ndarray, _seed: int) -> None:
    """A change of values, as faults make them of columns."""
    for name in values:
        values[name] = np.where(numbers % 2, 2.0, 1.0) * values[name]


TROUBLES = st.builds(
    Trouble,
    stopped=st.sampled_from([False, False, True]),
    lost=st.sampled_from([0.0, 0.5]),
    late=st.sampled_from([None, Late(70 * MS, 200 * MS), Late(130 * MS, 90 * MS)]),
    frozen=st.booleans(),
    stuck_counter=st.booleans(),
    broken=st.sampled_from([0, 0x5A]),
    enable=st.sampled_from([None, True]),
    stuck=st.sampled_from([False, False, True]),
    twice=st.booleans(),
    changes=st.sampled_from([[], [doubled]]),
)


@cache
def senders() -> dict[str, Sender]:
    """The senders of both buses."""
    buses = spec_of().buses
    setup = Setup(buses["drive"].description, buses["chassis"].description, Plan(), MS, parameters=MEASURES)
    return World(setup).senders


@st.composite
def moments(draw: st.DrawFn) -> list[tuple[float, ...]]:
    """Some states of the cart, each once or twice."""
    chance = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    scale = draw(st.sampled_from([0.1, 3.0, 1e4]))
    rows = []
    for _ in range(draw(st.integers(1, 4))):
        values = [
            bool(chance.integers(2)) if name in YES_OR_NO else float(chance.normal(0.0, scale))
            for name in FIELDS
        ]
        rows += [tuple(values)] * int(chance.integers(1, 3))
    return rows


def one_by_one(sender: Sender, times: list[int], rows: list[tuple[float, ...]], events: list[Event]) -> list:
    made = [
        release
        for t_ns, row in zip(times, rows, strict=True)
        for release in sender.run_one(t_ns, State(*row, 3, MEASURES), events)
    ]
    return [(each.t_ns, each.node, each.frame.can_id, each.frame.payload) for each in made]


def as_rows(made: Releases | None) -> list:
    if made is None:
        return []
    columns = (made.t_ns, made.node, made.can_id)
    payloads = [bytes(row[:length]) for row, length in zip(made.payload, made.length.tolist(), strict=True)]
    return list(zip(*[column.tolist() for column in columns], payloads, strict=True))


@given(
    st.deferred(lambda: st.sampled_from(sorted(senders()))),
    moments(),
    st.lists(TROUBLES, min_size=2, max_size=2),
)
def test_one_by_one_and_columns_agree(name: str, rows: list, troubles: list[Trouble]) -> None:
    column, single = (copy(senders()[name]) for _ in range(2))
    happened = [[Event(0, 1, Reason.DEMAND_LOST), Event(30 * MS, 2, Reason.NONE)] for _ in range(2)]
    for sender in (column, single):
        sender.start(0, 1.0, 3)
    for trouble in (Trouble(), *troubles):
        column.trouble = single.trouble = trouble
        times = column.due(len(rows) * 2000 * MS)[: len(rows)]
        states = States(rows, 3, MEASURES)
        whole = column.run(times, states.at(np.arange(len(rows))), happened[0])
        assert one_by_one(single, times.tolist(), rows, happened[1]) == as_rows(whole)
        assert column.count == single.count
        assert happened[0] == happened[1]
