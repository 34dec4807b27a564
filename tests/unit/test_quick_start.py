"""What makes the start quick: data classes that compile less, a library of which a part is imported."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import math
import subprocess
import sys
from dataclasses import field, fields, replace
from pathlib import Path

import pytest

from canmap.base.dataclass import dataclass, public_dataclass

ROOT = Path(__file__).parents[2]
# Each class is made by the standard decorator and by ours: whatever is asked has to have the same answer.
DECORATORS = (dataclasses.dataclass, dataclass, public_dataclass)
OPTIONS = ({}, {"slots": True}, {"frozen": True}, {"frozen": True, "slots": True, "kw_only": True})


def _classes(options: dict[str, bool]) -> list[type]:
    made = []
    for decorator in DECORATORS:

        class Nothing:
            """Without a field."""

        class One:
            """A field alone, which is not equal to itself."""

            value: float = math.nan

        class Reading:
            """Fields of every kind."""

            name: str
            value: float = 0.0
            line: int = field(default=0, compare=False)
            texts: dict[str, str] = field(default_factory=dict, hash=False)
            hidden: str = field(default="", repr=False)

        class Shown:
            """One that is shown and compared in its own way."""

            value: int = 0

            def __repr__(self) -> str:
                return "its own"

            def __eq__(self, other: object) -> bool:
                return True

            def __hash__(self) -> int:
                return 7

        for cls in (Nothing, One, Reading, Shown):
            cls.__qualname__ = cls.__name__
        made.append([decorator(**options)(cls) for cls in (Nothing, One, Reading, Shown)])
    return made


def _objects(classes: list[type]) -> list[object]:
    nothing, one, reading, shown = classes
    first = reading(name="a")
    others = [reading(name="a", line=7), reading(name="b"), reading(name="a", hidden="x")]
    given = [
        nothing(),
        one(),
        one(value=1.5),
        first,
        *others,
        replace(first, value=2.0),
        shown(),
        shown(value=3),
    ]
    return [*given, reading(name="a", texts={"b": "c"}), reading(name="a", value=2.0)]


@pytest.mark.parametrize("options", OPTIONS, ids=str)
def test_a_data_class_is_as_the_standard_one(options: dict[str, bool]) -> None:
    standard, *of_ours = map(_objects, _classes(options))
    equal = [[one == other for other in standard] for one in standard]
    assert any(map(any, equal))
    assert not all(map(all, equal))
    for ours in of_ours:
        assert [repr(one) for one in ours] == [repr(one) for one in standard]
        assert [[one == other for other in ours] for one in ours] == equal
        for one, other in zip(ours, standard, strict=True):
            assert [field.name for field in fields(one)] == [field.name for field in fields(other)]
            assert (type(one).__hash__ is None) == (type(other).__hash__ is None)
            if type(one).__hash__ is not None:
                assert hash(one) == hash(other)


@pytest.mark.parametrize("options", OPTIONS, ids=str)
@pytest.mark.parametrize("given", [{}, {"name": "a", "nothing": 1}, {"value": 1.0}], ids=str)
def test_what_a_data_class_does_not_take_is_refused_as_by_the_standard_one(
    options: dict[str, bool], given: dict[str, object]
) -> None:
    said = []
    for _, _, reading, _ in _classes(options):
        with pytest.raises(TypeError) as refused:
            reading(**given)
        said.append(str(refused.value))
        parameters = inspect.signature(reading).parameters
        said[-1] += f" {[(name, str(one.kind), one.annotation) for name, one in parameters.items()]}"
    assert len(said) == len(DECORATORS)
    assert len({one.replace("_classes.<locals>.", "") for one in said}) == 1


@pytest.mark.parametrize("slots", [False, True])
def test_what_users_get_is_really_frozen(slots: bool) -> None:
    made = _objects(_classes({"frozen": True, "slots": slots})[DECORATORS.index(public_dataclass)])
    with pytest.raises(dataclasses.FrozenInstanceError):
        made[3].name = "b"
    assert copy.copy(made[3]) == made[3]


def test_what_comes_after_the_fields_is_done() -> None:
    @dataclass(slots=True)
    class Sorted:
        """Sorts what it is given."""

        values: list[int] = field(default_factory=lambda: [2, 1])

        def __post_init__(self) -> None:
            self.values.sort()

    assert (Sorted().values, Sorted([3, 2]).values, Sorted(values=[5, 4]).values) == ([1, 2], [2, 3], [4, 5])


WHOLE = """
import sys
from canmap.mapping.description.load import load_description
assert load_description("specs/orchard_cart/kit.dbc").messages
slow = {
    "can", "cantools.logreader", "cantools.database.diagnostics", "cantools.database.can.database",
    "cantools.database.can.formats.kcd", "xml.etree.ElementTree",
} & set(sys.modules)
from cantools.database.can.message import Message
import cantools
from cantools.database import load_string
assert not slow, slow
assert cantools.database.can.Message is Message
assert cantools.database.can.formats.arxml.AutosarNodeSpecifics
assert isinstance(load_string('VERSION ""\\n', "dbc"), cantools.database.can.Database)
assert cantools.typechecking and cantools.logreader.Parser and cantools.__version__
assert not hasattr(cantools, "no such thing")
"""


def test_a_program_gets_the_library_whole_although_a_part_of_it_was_imported() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WHOLE], check=False, capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
