"""One mistake in a spec that is right otherwise is told once and at its place; order does not matter."""

from __future__ import annotations

import random
import re
from functools import cache
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.base.errors import SpecError
from canmap.mapping.description.load import load_description
from canmap.mapping.loader import build_spec
from canmap.mapping.reading.field_grammar import FIELD
from canmap.mapping.reading.grammar import BUS, CORRECT_MESSAGE, CORRECT_SIGNAL, DEMAND, MESSAGE, SPEC
from canmap.mapping.reading.marks import Entries, Scalar, read_nodes
from canmap.mapping.reading.mistakes import Faults
from canmap.mapping.reading.topic_grammar import TOPIC, TOPICS, TOPICS_OF_RECORD
from tests.spec_builders import VEHICLE, spec_of

TEXT = VEHICLE.read_text(encoding="utf-8")
LINES = TEXT.splitlines()
KEYS = {
    key.name
    for section in (
        *(SPEC, BUS, CORRECT_MESSAGE, CORRECT_SIGNAL, MESSAGE, DEMAND, FIELD),
        *(TOPICS, TOPICS_OF_RECORD, TOPIC),
    )
    for key in section.keys
} | {"type", "stamp"}
KEYS -= {"battery"}  # a record is called so too
QUANTITY = re.compile(r"-?\d+(?:\.\d+)? [A-Za-z]\S*")
SIGNAL = re.compile(r"(?:[a-z]+\.)?[A-Z]\w+\.[A-Z]\w+")
TYPES = ("Steering", "Drive", "Wheels", "Brake", "Battery", "Stop", "Control", "SteeringDemand")

# How a scalar that matches is spoilt.
SPOILT = {
    "unit": lambda text, _: text.partition(" ")[0] + " furlongs",
    "unit of another kind": lambda text, _: text.partition(" ")[0] + " mol",
    "comma": lambda text, _: re.sub(r"^(-?\d+)(?:\.\d+)?", r"\1,5", text),
    "zero": lambda text, _: re.sub(r"^(-?)", r"\g<1>0", text) if "." not in text else "007 " + text[-1],
    "signal": lambda text, _: text + "xqz",
    "doubled": lambda text, chance: text[: (at := chance.randrange(1, len(text)))] + text[at - 1] + text[at:],
    "nothing like it": lambda _text, _chance: "zzqzz",
}


@cache
def descriptions():
    return {name: load_description(str(VEHICLE.parent / name)) for name in ("kit.dbc", "chassis.dbc")}


def scalars(node, is_key=False):
    """Yield all texts of a tree of nodes, and whether each is a key."""
    if isinstance(node, Scalar):
        yield node, is_key
    elif isinstance(node, Entries):
        for key, value in node.pairs.values():
            yield key, True
            yield from scalars(value)
    else:
        for item in node.items:
            yield from scalars(item)


def plantings():
    """Return (place, text, way) for every scalar that can be spoilt in some way."""
    root = read_nodes(str(VEHICLE), Faults())
    found = []
    for scalar, is_key in scalars(root):
        if scalar.quoted:
            continue
        text = scalar.text
        if is_key and text in KEYS:
            ways = ("doubled", "nothing like it")
        elif QUANTITY.fullmatch(text):
            ways = ("unit", "unit of another kind", "comma", "zero")
        elif SIGNAL.fullmatch(text) and not is_key:
            ways = ("signal",)
        elif text in TYPES:
            ways = ("doubled", "nothing like it")
        else:
            ways = ()
        found += [(scalar.place, text, way) for way in ways]
    return found


PLANTINGS = plantings()


def planted(folder, place, text, spoilt):
    lines = list(LINES)
    line = lines[place.line - 1]
    at = place.column - 1
    assert line[at : at + len(text)] == text
    lines[place.line - 1] = line[:at] + spoilt + line[at + len(text) :]
    (folder / "shared").mkdir(exist_ok=True)
    (folder / "shared" / "limits.yaml").write_bytes((VEHICLE.parent / "shared" / "limits.yaml").read_bytes())
    for name in descriptions():
        (folder / name).touch()
    path = folder / "vehicle.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(SpecError) as raised:
        build_spec(str(path), lambda name: descriptions()[name.rsplit("/", 1)[-1]])
    return path, raised.value.faults


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("planted")


@given(st.sampled_from(PLANTINGS), st.integers(0, 99))
@settings(deadline=None, max_examples=300)
def test_one_mistake_is_told_once_and_at_its_place(folder, planting, seed):
    place, text, way = planting
    spoilt = SPOILT[way](text, random.Random(seed))
    path, faults = planted(folder, place, text, spoilt)
    told = [(fault.file, fault.line) for fault in faults]
    assert told == [(str(path), place.line)], (spoilt, [str(fault) for fault in faults])


CORRECTIONS = (
    "  SteerFeedback: {length: 16, reason: an FD message}\n",
    "  SteerFeedback.Share: {start_bit: 88, reason: it lies in byte 12}\n",
    "  drive.SteerFeedback.Fine: {start_bit: 100, bits: 4, reason: it lies in byte 12 too}\n",
    "  drive.DriveFeedback: {period: 10 ms, reason: measured}\n",
)


def test_corrections_do_not_depend_on_their_order(tmp_path):
    specs = []
    for order in permutations(CORRECTIONS):
        spec = spec_of(tmp_path, "correct:\n" + "".join(order))
        specs.append(spec.buses["drive"].description)
        assert len([note for note in spec.notes if "is corrected in" in note.text]) == len(CORRECTIONS)
    assert all(one == specs[0] for one in specs)
    (message,) = (one for one in specs[0].messages if one.name == "SteerFeedback")
    assert message.length == 16
    assert {signal.name: signal.start_bit for signal in message.signals}["Share"] == 88


SPELLINGS = {
    "messages": ("SteerFeedback", "{stale_after: 90 ms}", "{start_up: 1 s}", "{}"),
    "demands": ("SteerFeedback", "{watchdog: 1 s}", "{reaction: x}", "{}"),
    "correct": ("SteerFeedback", "{length: 9, reason: x}", "{period: 1 s, reason: x}", "{}"),
    "correct signal": ("SteerFeedback.Angle", "{factor: 2, reason: x}", "{offset: 2, reason: x}", "{}"),
    "faults": ("SteerFeedback.Homed", "{text: a}", "{text: b}", "{}"),
    "multiplexed": ("SteerFeedback.State", "{Off: {period: 1 s}}", "{Ready: {period: 1 s}}", "{}"),
    "conditions": ("SteerFeedback.State", "Off", "Ready", "{}"),
}
HEADS = {
    "correct signal": "correct:\n  ",
    "multiplexed": "messages: {SteerFeedback: {multiplexed: {\n  ",
    "conditions": "messages: {SteerFeedback: {active_when: {\n  ",
}


@pytest.mark.parametrize("section", SPELLINGS)
@given(swap=st.booleans(), turn=st.booleans())
@settings(deadline=None, max_examples=8, database=None)
def test_two_spellings_of_one_name_are_refused(section, tmp_path_factory, swap, turn):
    name, first, second, _ = SPELLINGS[section]
    names = (name, f"drive.{name}")[:: -1 if swap else 1]
    values = (first, second)[:: -1 if turn else 1]
    head = HEADS.get(section, f"{section}:\n  ")
    flow = head.endswith("{\n  ")
    comma, end = (",", "}}}") if flow else ("", "")
    text = f"{head}{names[0]}: {values[0]}{comma}\n  {names[1]}: {values[1]}{end}\n"
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path_factory.mktemp("two"), text)
    (fault,) = raised.value.faults
    assert (fault.line, fault.column) == (6, 3)
    assert fault.text == f"`{names[1]}` is given twice: it is `{names[0]}` on line 5."
