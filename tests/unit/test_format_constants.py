"""What files begin with, and how a bag is called, stands in one place, so that reader and writer agree."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest

import canmap
from canmap.base.errors import ArgumentError
from canmap.outputs.bags.bag_names import BAG, PART, is_bag, is_cut_off_bag
from canmap.outputs.export_forms import FORMS

PACKAGE = Path(canmap.__file__).parent
LEAST_BYTES = 4  # shorter ones are separators and the like
# What else is of one format alone: the ending of a bag, the link type of SocketCAN, what the first block of a
# `.pcapng` file begins with, an event of an MDF bus log.
OF_ONE_FORMAT = (BAG, 227, 0x0A0D0D0A, 0x1A2B3C4D, "CAN_DataFrame")


def test_no_constant_of_a_format_stands_in_two_modules() -> None:
    found: dict[object, set[str]] = defaultdict(set)
    for room in ("frames", "outputs", "api", "cli"):
        for path in (PACKAGE / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant):
                    value, is_bytes = node.value, isinstance(node.value, bytes)
                    if value in OF_ONE_FORMAT or (is_bytes and len(value) >= LEAST_BYTES):
                        found[value].add(str(path.relative_to(PACKAGE)))
    assert set(OF_ONE_FORMAT) <= set(found)
    assert b"PAR1" in found
    assert {value: files for value, files in found.items() if len(files) > 1} == {}


def test_a_bag_is_the_form_that_has_no_tables() -> None:
    assert [form.ending for form in FORMS.values() if form.is_bag] == [BAG]
    assert [form.ending for form in FORMS.values() if form.sink is None] == [BAG]
    with pytest.raises(ArgumentError, match="holds no tables"):
        FORMS[BAG].table_sink({})


@pytest.mark.parametrize(
    ("name", "bag", "cut_off"),
    [
        ("drive.mcap", True, False),
        ("Drive.MCAP", True, False),
        ("drive.mcap.part", False, True),
        ("DRIVE.MCAP.PART", False, True),
        ("mcap", False, False),
        ("drive.part", False, False),
        ("drive.mcap/", False, False),
        (BAG + PART, False, True),
    ],
)
def test_a_bag_is_known_by_its_name(name: str, bag: bool, cut_off: bool) -> None:
    assert (is_bag(name), is_cut_off_bag(name)) == (bag, cut_off)
