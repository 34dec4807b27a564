"""The reference of the spec in ``specs/README.md``: its examples load, its tables are the grammar's."""

from __future__ import annotations

import re
import shutil
from enum import IntEnum
from pathlib import Path

import pytest

from canmap.mapping import axis_rules, node_rules, pair_rules, stop_rules
from canmap.mapping.loader import load_spec
from canmap.mapping.reading import (
    checksum_grammar,
    fault_grammar,
    field_grammar,
    grammar,
    override_grammar,
    promises,
    relay_grammar,
    topic_grammar,
    trouble_grammar,
)
from canmap.topics.topic import MessageForm
from canmap.topics.topic_table import topic_table
from canmap.vocabulary.checksum_profiles import CRCS, PROFILES
from canmap.vocabulary.record_types import CORE_TYPES, field_types
from canmap.vocabulary.units import UNITS
from tests.spec_builders import VEHICLE

PAGE = (Path(__file__).parents[2] / "specs" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
BUSES = "vehicle: Yard hauler\nbuses: {drive: {description: kit.dbc}, chassis: {description: chassis.dbc}}\n"
SECTIONS = {
    "A spec": grammar.SPEC,
    "What a spec was verified on": promises.VERIFIED_ON,
    "The geometry": grammar.GEOMETRY.read,
    "A bus": grammar.BUS,
    "A correction of a signal": grammar.CORRECT_SIGNAL,
    "A correction of a message": grammar.CORRECT_MESSAGE,
    "A message": grammar.MESSAGE,
    "A multiplexer value": grammar.SELECTION,
    "A counter": promises.COUNTER,
    "A checksum": checksum_grammar.CHECKSUM,
    "A relay": relay_grammar.RELAY,
    "A delay": relay_grammar.DELAY,
    "A latency": relay_grammar.LATENCY,
    "A demand": grammar.DEMAND,
    "A fault": fault_grammar.FAULT,
    "Trouble codes": trouble_grammar.TROUBLE_CODES,
    "A redundant pair": pair_rules.REDUNDANT_PAIR,
    "An axis": axis_rules.AXIS,
    "A node": node_rules.NODE,
    "The stop chain": stop_rules.STOP_CHAIN,
    "A state machine": promises.MACHINE,
    "A transition": promises.TRANSITION,
    "An enable": promises.ENABLE,
    "An override": override_grammar.OVERRIDE,
    "A threshold": override_grammar.THRESHOLD,
    "A field": field_grammar.FIELD,
    "A sign": field_grammar.SIGN_FROM,
    "A table": field_grammar.SIDES,
    "A range by speed": promises.RANGE_BY_SPEED,
    "What counts as frozen": promises.FROZEN,
    "What counts as railed": promises.RAILED,
    "A record type": grammar.OWN_TYPE,
    "A field of a record type": grammar.OWN_FIELD,
    "The topics": topic_grammar.TOPICS,
    "The topics of a record": topic_grammar.TOPICS_OF_RECORD,
    "A topic": topic_grammar.TOPIC,
}


def table_lines(title):
    """Return the rows of the tables under a heading, each as its cells, without their heads."""
    body = PAGE.split(f"\n## {title}\n", 1)[1].split("\n## ", 1)[0]
    tables = re.findall(r"^\|.*\n\|-.*\n((?:\|.*\n)+)", body, re.MULTILINE)
    return [[cell.strip() for cell in line[1:-1].split("|")] for line in "".join(tables).splitlines()]


def rows(title):
    """Return key -> its default, of the table of keys under a heading."""
    body = f"\n## {title}\n" + PAGE.split(f"\n## {title}\n", 1)[1].split("\n## ", 1)[0]
    keys = body[body.index("| key |") :]
    return {row[0].strip("`"): row[2] for row in table_lines(title) if f"| {row[0]} |" in keys}


def test_there_are_examples():
    assert len(EXAMPLES) >= 10


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda text: text.split(":", 1)[0])
def test_example_loads(example, tmp_path):
    for path in VEHICLE.parent.rglob("*"):
        if path.is_file():
            target = tmp_path / path.relative_to(VEHICLE.parent)
            target.parent.mkdir(exist_ok=True)
            shutil.copy(path, target)
    (tmp_path / "shared" / "limits.yaml").write_text(
        "messages: {drive.SteerFeedback: {stale_after: 80 ms}}\n"
    )
    path = tmp_path / "example.yaml"
    path.write_text(("" if example.startswith("vehicle:") else BUSES) + example, encoding="utf-8")
    assert load_spec(path).vehicle == "Yard hauler"


@pytest.mark.parametrize("title", SECTIONS)
def test_table_is_the_grammars(title):
    table = rows(title)
    assert set(table) == {key.name for key in SECTIONS[title].keys}
    for key in SECTIONS[title].keys:
        assert (table[key.name] == "required") == key.required, key.name


def test_all_units_are_listed():
    body = PAGE.split("\nUnits:\n", 1)[1].split("\n## ", 1)[0]
    listed = set(
        re.findall(r"`([^`]+)`", "".join(line for line in body.splitlines() if line.startswith("| ")))
    )
    assert listed == set(UNITS) - {"\u2126", "\u03bcs"}  # look like Ω and µs, and are read as those


def kind_of(field):
    plain = {float: f"`{field.unit}`", bool: "yes or no", int: "whole number"}
    return plain.get(field.kind, f"`{field.kind.__name__}`")


def test_every_built_in_record_type_is_listed_with_its_fields_and_states():
    listed = table_lines("The built-in record types")
    expected, kinds = [], {}
    for name, record_type in CORE_TYPES.items():
        types = field_types(record_type).values()
        expected.append([f"**`{name}`**", "", "", record_type.__doc__.splitlines()[0]])
        expected += [["", f"`{one.name}`", kind_of(one), one.meaning] for one in types]
        kinds |= {one.kind.__name__: one.kind for one in types if issubclass(one.kind, IntEnum)}
    for name, kind in kinds.items():
        assert [state.value for state in kind] == list(range(len(kind)))
        words = " ".join(f"`{state.name.lower()}`" for state in kind)
        expected.append([f"`{name}`", words, kind.__doc__])
    assert listed == expected


def test_every_checksum_profile_is_listed():
    expected = []
    for name, method in PROFILES.items():
        about = method.about + (" (from memory)" if method.from_memory else "")
        if name in CRCS:
            crc, digits = CRCS[name], -(-method.width // 4)
            numbers = [f"0x{one:0{digits}X}" for one in (crc.polynomial, crc.initial, crc.final_xor)]
            reflected = "yes" if crc.reflected else "no"
            about = "polynomial {}, start {}, reflected: {}, final XOR {}".format(
                *numbers[:2], reflected, numbers[2]
            )
        expected.append([f"`{name}`", str(method.width), about])
    assert table_lines("The checksum profiles") == expected


def test_every_standard_topic_is_listed():
    cart = load_spec(VEHICLE.parents[3] / "specs" / "orchard_cart" / "cart.yaml")
    there = {
        (topic.name, topic.type.name)
        for topic in topic_table(cart, clock=True)
        if topic.form is not MessageForm.OWN
    } | {("/tf", "tf2_msgs/msg/TFMessage")}
    listed = [[cell.strip("`") for cell in row] for row in table_lines("The topics") if "/msg/" in row[-1]]
    assert {(row[1], row[3]) for row in listed if row[0] != "all"} == there
    words = {row[2].partition("`")[0] for row in listed}
    assert words >= set(topic_grammar.STANDARD_TOPICS)
