"""YAML into nodes: texts as written, places, and what a spec has no use for."""

from __future__ import annotations

import time

import pytest
import yaml

from canmap.mapping.reading import marks
from canmap.mapping.reading.marks import Entries, Items, Scalar, read_nodes
from canmap.mapping.reading.mistakes import Faults
from tests.spec_builders import VEHICLE

BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{new}: &{new} [{', '.join('*' + old for _ in range(9))}]\n"
    for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)

REFUSED = {
    "empty": (b"", 0, 0, "The file is empty"),
    "only a comment": (b"# nothing\n", 0, 0, "The file is empty"),
    "list": (b"- a\n- b\n", 1, 1, "The file is made of `key: value` lines"),
    "text": (b"hello\n", 1, 1, "The file is made of `key: value` lines"),
    "tab": (b"a:\n\tb: 1\n", 2, 1, "A tab indents this line: use spaces."),
    "tab behind spaces": (b"a:\n  \tb: 1\n", 2, 3, "A tab indents this line: use spaces."),
    "double key": (b"a: 1\nb: 2\na: 3\n", 3, 1, "The key `a` is given twice; first on line 1."),
    "double key inside": (
        b"a: {b: 1, b: 2}\n",
        1,
        11,
        "The key `b` is given twice; first on line 1.",
    ),
    "anchor": (b"a: &x 1\n", 1, 4, "Anchors are not used in a spec"),
    "alias": (b"a: *x\n", 1, 4, "Aliases are not used in a spec"),
    "merge key": (b"a: &x {b: 1}\n", 1, 4, "Anchors are not used in a spec"),
    "tag": (
        b"a: !!python/object/apply:os.system [ls]\n",
        1,
        4,
        "The tag `tag:yaml.org,2002:python/object/apply:os",
    ),
    "own tag": (b"a: !quantity 10 ms\n", 1, 4, "The tag `!quantity` has no meaning in a spec"),
    "two documents": (b"a: 1\n---\nb: 2\n", 2, 1, "A second document starts here"),
    "list as key": (b"? [a]\n: 1\n", 1, 3, "A key is a plain text"),
    "Latin 1": ("unit: °C\n".encode("latin-1"), 1, 7, "This is not UTF-8 text"),
    "Latin 1 further down": ("é: 1\nb: ".encode() + b"\xb0C\n", 2, 4, "This is not UTF-8 text"),
    "NUL": (b"a: 1\nb: \0\n", 2, 4, "The character U+0000 is not allowed in a text file."),
    "escaped NUL": (b'a: "x\\0"\n', 1, 4, "This text holds a character that is not allowed in a text file."),
    "line separator": (
        "a: 1\u2028b: 2\n".encode(),
        1,
        5,
        "The character U+2028 is not allowed in a text file.",
    ),
    "deep": (b"a: " + b"[" * 60 + b"]" * 60, 1, 53, "The nesting is deeper than 50 levels."),
    "open bracket": (b"a: [1, 2\nb: 3\n", 2, 2, "This is not valid YAML: a bracket that is not closed"),
    "open quote": (b"a: 'x\nb: 3\n", 3, 1, "This is not valid YAML: a quote that is not closed"),
    "two colons": (b"a: b: c\n", 1, 5, "This is not valid YAML: a colon in the wrong place"),
    "dedent": (
        b"a:\n    b: 1\n  c: 2\n",
        3,
        3,
        "This is not valid YAML: an indentation that fits nothing above",
    ),
    "many": (b"a: [" + b"x, " * 100_000 + b"]", 1, 299_996, "The file holds more than 100000 values"),
    "tab on an empty line": (b"a:\n\t\n  b: 1\n", 2, 1, "A tab indents this line: use spaces."),
    "large": (b"#" * (4 * 1024 * 1024 + 1), 0, 0, "The file is larger than 4 MB: too large for a spec."),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name, tmp_path):
    data, line, column, sentence = REFUSED[name]
    path = tmp_path / "spec.yaml"
    path.write_bytes(data)
    faults = Faults()
    read_nodes(str(path), faults)
    (fault,) = faults.error().faults
    assert (fault.line, fault.column) == (line, column)
    assert fault.text.startswith(sentence)


@pytest.mark.parametrize("text", ["NS_ :\n\tCM_\n\tBA_\n\nBS_:\n", 'VERSION ""\n\nNS_ :\n\nBS_:\n'])
@pytest.mark.parametrize(
    ("name", "end"),
    [
        ("kit.dbc", "`buses: {main: {description: kit.dbc, channel: can0}}` are enough to begin."),
        ("kit.txt", " Or is it the wrong file? Its name does not end in .yaml."),
    ],
)
def test_a_description_in_the_place_of_a_spec_is_one_mistake_that_asks_for_the_file(
    text, name, end, tmp_path
):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    faults = Faults()
    read_nodes(str(path), faults)
    (fault,) = faults.error().faults
    assert fault.text.endswith(end)


@pytest.mark.parametrize("content", [b"(1.5) can0 123#11\n", b"LOGG\x90\x00\xff"])
def test_a_capture_in_the_place_of_a_spec_is_asked_for_the_file(content, tmp_path):
    path = tmp_path / "drive.log"
    path.write_bytes(content)
    faults = Faults()
    read_nodes(str(path), faults)
    (fault,) = faults.error().faults
    assert fault.text.endswith(" Or is it the wrong file? Its name does not end in .yaml.")


def test_alias_bomb_is_an_error_at_once(tmp_path):
    path = tmp_path / "spec.yaml"
    path.write_text(BOMB, encoding="utf-8")
    faults = Faults()
    start = time.process_time()
    read_nodes(str(path), faults)
    assert time.process_time() - start < 0.1
    assert len(faults) == 1  # the first says it for all


@pytest.mark.parametrize("opening", ["[", "{a: ", "- ", "? "])
def test_hundred_thousand_levels_are_an_error_at_once(opening, tmp_path):
    path = tmp_path / "spec.yaml"
    path.write_text(opening * 100_000, encoding="utf-8")
    faults = Faults()
    start = time.process_time()
    assert read_nodes(str(path), faults) is None
    assert time.process_time() - start < 1
    assert len(faults) == 1


def test_file_that_is_not_there(tmp_path):
    faults = Faults()
    assert read_nodes(str(tmp_path / "no.yaml"), faults) is None
    assert "there is no such file; check the path." in str(faults.error())


@pytest.mark.parametrize(
    "written",
    ["off", "no", "yes", "on", "1:30", "010", "0x10", "1_000", "1e3", "~", "null", ".inf", "2026-01-01", "="],
)
def test_scalars_stay_as_written(written, tmp_path):
    path = tmp_path / "spec.yaml"
    path.write_text(f"{written}: {written}\nlist: [{written}, '{written}']\n", encoding="utf-8")
    faults = Faults()
    root = read_nodes(str(path), faults)
    assert isinstance(root, Entries)
    assert not len(faults)
    value, listing = root.value(written), root.value("list")
    assert isinstance(value, Scalar)
    assert isinstance(listing, Items)
    assert value.text == written
    assert [(item.text, item.quoted) for item in listing.items] == [(written, False), (written, True)]


def test_both_parsers_of_the_library_agree(monkeypatch):
    """The one in C is used where it is there; the other must give the same nodes and places."""
    fast = read_nodes(str(VEHICLE), Faults())
    monkeypatch.setattr(marks, "_LOADER", yaml.SafeLoader)
    assert read_nodes(str(VEHICLE), Faults()) == fast


def test_places_count_characters(tmp_path):
    path = tmp_path / "spec.yaml"
    path.write_text("\ufeff°é😀: {a: x,\n  °b: [1, y]}\n", encoding="utf-8")
    root = read_nodes(str(path), Faults())
    outer = root.value("°é😀")
    assert (outer.place.line, outer.place.column) == (1, 6)
    inner = outer.value("°b")
    assert (inner.place.line, inner.place.column) == (2, 7)
    assert (inner.items[1].place.line, inner.items[1].place.column) == (2, 11)
