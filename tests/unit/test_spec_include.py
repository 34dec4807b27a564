"""Fragments: what wins, and what cannot be included."""

from __future__ import annotations

import pytest

from canmap.base.errors import SpecError
from canmap.mapping.reading.include import read_with_fragments
from canmap.mapping.reading.mistakes import Faults
from tests.spec_builders import spec_of


def plain(node):
    if hasattr(node, "pairs"):
        return {key: plain(value) for key, (_, value) in node.pairs.items()}
    return [plain(item) for item in node.items] if hasattr(node, "items") else node.text


def write(folder, **texts):
    for name, text in texts.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return str(folder / "spec.yaml")


def test_later_and_outer_wins_leaf_by_leaf(tmp_path):
    path = write(
        tmp_path,
        spec="include: [one.yaml, two.yaml]\na: {own: spec}\nlist: [9]\n",
        one="a: {own: one, both: one, first: one}\nlist: [1, 2]\n",
        two="a: {own: two, both: two, second: two}\nb: two\n",
    )
    faults = Faults()
    root, _ = read_with_fragments(path, faults)
    assert not len(faults)
    assert plain(root) == {
        "a": {"own": "spec", "both": "two", "first": "one", "second": "two"},
        "list": ["9"],
        "b": "two",
    }
    assert root.value("a").value("second").place.file == str(tmp_path / "two.yaml")
    assert root.value("a").value("own").place.file == path


def test_fragment_of_a_fragment_is_found_beside_it(tmp_path):
    (tmp_path / "shared").mkdir()
    path = write(tmp_path, spec="include: [shared/one.yaml]\n")
    write(tmp_path / "shared", one="include: [two.yaml]\na: 1\n", two="a: 2\nb: 2\n")
    assert plain(read_with_fragments(path, Faults())[0]) == {"a": "1", "b": "2"}


def test_two_ways_to_one_fragment_are_no_loop(tmp_path):
    path = write(
        tmp_path,
        spec="include: [one.yaml, two.yaml]\n",
        one="include: [base.yaml]\n",
        two="include: [base.yaml]\n",
        base="a: 1\n",
    )
    faults = Faults()
    assert plain(read_with_fragments(path, faults)[0]) == {"a": "1"}
    assert not len(faults)


REFUSED = {
    "itself": (
        "include: [spec.yaml]\n",
        "spec.yaml:1:11: `spec.yaml` includes itself, directly or through others.",
    ),
    "loop": (
        "include: [loop.yaml]\n",
        "loop.yaml:2:12: `spec.yaml` includes itself, directly or through others.",
    ),
    "missing": (
        "a: 1\ninclude: [no.yaml]\n",
        "spec.yaml:2:11: There is no file `no.yaml`: the path is relative",
    ),
    "twice": ("include: [a.yaml, a.yaml]\n", "spec.yaml:1:19: `a.yaml` is included twice."),
    "text": ("include: a.yaml\n", "spec.yaml:1:10: `include` is a list of paths: write [limits.yaml]."),
    "no path": ("include: [{a: 1}]\n", "spec.yaml:1:11: `include` lists paths, and this is not a path."),
    "NUL": ('include: ["a\\0b"]\n', "spec.yaml:1:11: This text holds a character that is not allowed"),
    "links in a circle": (
        "include: [circle.yaml]\n",
        "spec.yaml:1:11: `circle.yaml`: the file cannot be opened",
    ),
    "mark of direction": ("\u202ea: 1\n", "spec.yaml:1:1: The character U+202E is not allowed"),
    "large": ("include: [large.yaml]\n", "spec.yaml:1:11: The fragments of a spec have at most 1 MB"),
    "long name": (f"include: [{'x' * 5000}]\n", "spec.yaml:1:11: `xxx"),
    "broken fragment": ("include: [bad.yaml]\n", "bad.yaml:1:5: This is not valid YAML"),
    "empty fragment": ("include: [empty.yaml]\n", "empty.yaml: The file is empty"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name, tmp_path):
    text, sentence = REFUSED[name]
    path = write(
        tmp_path, spec=text, loop="a: 1\ninclude: [ spec.yaml]\n", a="a: 1\n", bad="a: b: c\n", empty=""
    )
    (tmp_path / "circle.yaml").symlink_to("circle.yaml")
    (tmp_path / "large.yaml").write_bytes(b"#" * 1_100_000)
    faults = Faults()
    read_with_fragments(path, faults)
    (fault,) = faults.error().faults
    assert str(fault).removeprefix(str(tmp_path) + "/").startswith(sentence)


def test_at_most_fifty_fragments(tmp_path):
    names = [f"f{index}" for index in range(60)]
    path = write(
        tmp_path,
        spec=f"include: [{', '.join(name + '.yaml' for name in names)}]\n",
        **dict.fromkeys(names, "a: 1\n"),
    )
    faults = Faults()
    read_with_fragments(path, faults)
    assert len(faults) == 10
    assert "A spec has at most 50 fragments." in str(faults.error())


def test_mistake_in_a_fragment_names_its_file(tmp_path):
    write(tmp_path, more="messages: {SteerFeedback: {period: 10 mm}}\n")
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, "include: [more.yaml]\n")
    assert str(raised.value) == f"{tmp_path}/more.yaml:1:36: The unit `mm` does not convert to s."
