"""Descriptions as kits come with them: read where only one reading is possible, each repair noted.

Each file of the folder is the clean one with one kind of mess; what is expected of each stands below.
"""

from __future__ import annotations

import difflib
import random
import re
import time
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import cantools
import pytest

import canmap
from canmap.base.errors import DescriptionError, SpecError
from canmap.mapping.description.database import LARGEST_FILE
from canmap.mapping.description.dbcmend import mended
from canmap.mapping.description.load import load_description

FOLDER = Path(__file__).parent.parent / "data" / "messy_descriptions"
CLEAN = (FOLDER / "clean.dbc").read_text("utf-8")
PLACE = "start_bit: ..., bits: ..."


class Mess(NamedTuple):
    """What comes of a file: words of its notes, what of it is not read, and how that can be corrected.

    Attributes:
        notes: Words of each; the first is at the first line that differs from the clean file.
        lost: Messages, and signals as "Message.Signal".
        correct: Keys of the correction that the error names, for the first of those; "" for none.
    """

    notes: tuple[str, ...]
    lost: tuple[str, ...] = ()
    correct: str = ""


GARBLED = "cannot be read, expected `"
MESSES = {
    "attribute_garbled": Mess((GARBLED,)),
    "attribute_of_nothing": Mess(("message 999",)),
    "attribute_undefined": Mess(("GenMsgCycleTime is not defined",)),
    "comment_of_nothing": Mess(("signal Tilt of message 999",)),
    "comment_without_end": Mess(("a comment cannot be read",)),
    "comment_without_keyword": Mess(("lacks its keyword",)),
    "comment_without_semicolon": Mess(("lacks its semicolon",)),
    "digit_name": Mess(("the name 3rd begins with a digit",)),
    "exponent_impossible": Mess(("the number 0.25e999999",), ("Feedback.Angle",), "factor: ..."),
    "identifier_of_32_bits": Mess(("has the identifier 0xFFFFFFFF",), ("Feedback",)),
    "identifier_taken": Mess(("of message Feedback (line 7)", "of message Other (line 26)"), ("Feedback",)),
    "identifier_unmarked": Mess(("lacks the 29-bit flag",)),
    "label_of_nothing": Mess(("signal Tilt of message 257",)),
    "labels_garbled": Mess((GARBLED,)),
    "labels_without_quote": Mess((GARBLED,)),
    "labels_without_semicolon": Mess((GARBLED,)),
    "length_impossible": Mess(("is 4,000 bytes long",), ("Feedback",)),
    "message_garbled": Mess((GARBLED,), ("Feedback",)),
    "message_without_sender": Mess((GARBLED,), ("Feedback",)),
    "multiplexer_backwards": Mess(("4-3 run backwards",), ("Page.Water",)),
    "multiplexer_endless": Mess(("are more than 65,536",), ("Page.Water",)),
    "multiplexer_garbled": Mess((GARBLED,), ("Page.Water",)),
    "name_of_message_taken": Mess(("another message (line 7)", "another message (line 26)"), ("Feedback",)),
    "name_of_signal_taken": Mess(
        ("name of another signal (line 8)", "name of another signal (line 9)"),
        ("Feedback.Angle", "Feedback.Third"),
    ),
    "needed_by_nobody": Mess(()),
    "new_symbols": Mess(()),
    "no_statement": Mess(("'see' cannot stand here",)),
    "overlap": Mess((), ("Feedback.Angle", "Feedback.Third"), PLACE),
    "receivers_without_comma": Mess(("'Steer' cannot stand here",)),
    "selector_garbled": Mess((GARBLED,), ("Page.Which", "Page.Oil", "Page.Water")),
    "selector_unmarked": Mess((), ("Page.Oil",), "selector: ..."),
    "short_number": Mess(("the number .25 is read as 0.25",)),
    "signal_beyond_its_message": Mess((), ("Feedback.Angle",), PLACE),
    "signal_garbled": Mess((GARBLED,), ("Feedback.Angle",)),
    "signal_of_no_message": Mess(("is not below its message",)),
    "type_garbled": Mess((GARBLED,), ("Feedback.Angle",)),
    "type_of_nothing": Mess(("signal Tilt of message 257",)),
    "type_of_other_length": Mess(("type 2, but 16 bits long",), ("Feedback.Angle",)),
    "unit_without_quote": Mess((GARBLED,), ("Feedback.Angle",)),
    "unknown_keyword": Mess(("TUNE_ is unknown",)),
}  # fmt: skip
# Of these all values are as in the clean file; of a group below one alone, as they are messes of one line.
HARMLESS = sorted(name for name, mess in MESSES.items() if not mess.lost and len(mess.notes) == 1)
APART = (
    {"comment_without_end", "comment_without_semicolon"},
    {"labels_garbled", "labels_without_quote", "labels_without_semicolon", "digit_name"},
    {"attribute_garbled", "attribute_undefined"},
    {"receivers_without_comma", "short_number"},
)


def path_of(name: str) -> Path:
    return FOLDER / f"{name}.dbc"


def changes(name: str) -> list[tuple[str, str]]:
    """Return what stands in a file for which lines of the clean one; those that it adds for its end."""
    old, new = CLEAN.splitlines(keepends=True), path_of(name).read_text("utf-8").splitlines(keepends=True)
    blocks = difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
    return [("".join(old[a:b]), "".join(new[c:d])) for kind, a, b, c, d in blocks if kind != "equal"]


def messy(name: str, text: str) -> str:
    """Put the mess of a file into a text that begins as the clean one."""
    for old, new in changes(name):
        assert old in text
        text = text.replace(old, new) if old else f"{text}{new}"
    return text


def together(names: list[str] | set[str]) -> bool:
    """Tell whether one text can have several messes."""
    return all(len(group & set(names)) < 2 for group in APART)


def first_change(name: str) -> int:
    new = path_of(name).read_text("utf-8").splitlines()
    same = zip(CLEAN.splitlines(), new, strict=False)
    return next((line for line, (one, other) in enumerate(same, 1) if one != other), CLEAN.count("\n") + 1)


def labels(signal: cantools.database.Signal) -> dict[int, str]:
    return {code: str(text) for code, text in (signal.choices or {}).items()}


def content(path: Path) -> dict[str, tuple[object, ...]]:
    """Return what canmap reads of each signal that is read."""
    return {
        f"{message.name}.{one.name}".replace("3rd", "Third"): (
            message.can_id, message.extended, one.start_bit, one.bits, one.big_endian, one.signed,
            float(one.factor), float(one.offset), one.unit, one.selector,
            {code for low, high in one.selected_by for code in range(low, high + 1)},
        )
        for message in load_description(str(path)).messages
        for one in message.signals
    }  # fmt: skip


def content_of_cantools() -> dict[str, tuple[object, ...]]:
    """Return what cantools reads of each signal of the clean file."""
    return {
        f"{message.name}.{one.name}": (
            message.frame_id, message.is_extended_frame, one.start, one.length,
            one.byte_order == "big_endian", one.is_signed, one.scale, one.offset, one.unit or "",
            one.multiplexer_signal, set(one.multiplexer_ids or ()),
        )
        for message in cantools.database.load_file(path_of("clean")).messages
        for one in message.signals
    }  # fmt: skip


def test_every_file_of_the_folder_is_expected() -> None:
    assert {path.stem for path in FOLDER.glob("*.dbc")} == {*MESSES, "clean"}


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.dbc")), ids=lambda path: path.stem)
def test_a_mess_is_noted_at_its_line_and_all_else_is_read_as_cantools_reads_the_clean_file(
    path: Path,
) -> None:
    mess = MESSES.get(path.stem, Mess(()))
    repairs = load_description(str(path)).repairs
    assert len(repairs) == len(mess.notes)
    for words in mess.notes:
        assert any(words in repair.text for repair in repairs), words
    if repairs and path.stem != "attribute_undefined":  # a line is missing there
        assert first_change(path.stem) in {repair.line for repair in repairs}
    wanted = {
        name: signal
        for name, signal in content_of_cantools().items()
        if not {name, name.split(".")[0]} & set(mess.lost)
    }
    assert content(path) == wanted


@pytest.mark.parametrize("name", [name for name in MESSES if not name.startswith("labels")])
def test_labels_and_cycle_times_are_those_of_the_clean_file(name: str) -> None:
    messages = {message.name: message for message in load_description(str(path_of(name))).messages}
    for theirs in cantools.database.load_file(path_of("clean")).messages:
        if not (ours := messages.get(theirs.name)):
            continue
        if name != "attribute_garbled":
            assert ours.period_ns == (theirs.cycle_time * 1_000_000 if theirs.cycle_time else None)
        found = {one.name.replace("3rd", "Third"): dict(one.labels) for one in ours.signals}
        wanted = {one.name: labels(one) for one in theirs.signals}
        assert found == {one: wanted[one] for one in found}


def load(folder: Path, text: str, more: str) -> canmap.Spec:
    (folder / "kit.dbc").write_text(text, "utf-8")
    head = "vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
    (folder / "cart.yaml").write_text(head + more, "utf-8")
    return canmap.load_spec(str(folder / "cart.yaml"))


MINE = """record_types:
  Mine: {fields: {value: {kind: int}}}
records:
  mine: {type: Mine, stamp: Pump, value: Pump.Mode}
"""


def using(signal: str, code: str = "1") -> str:
    return f"{MINE}messages:\n  Pump: {{active_when: {{{signal}: {code}}}}}\n"


@pytest.mark.parametrize("name", [name for name, mess in MESSES.items() if mess.lost])
def test_what_is_lost_is_an_error_with_its_line_only_where_it_is_used(tmp_path: Path, name: str) -> None:
    text = path_of(name).read_text("utf-8")
    lost, correct = MESSES[name].lost[0], MESSES[name].correct
    load(tmp_path, text, MINE)
    with pytest.raises(SpecError) as caught:
        load(tmp_path, text, using(lost if "." in lost else f"{lost}.Angle"))
    said = str(caught.value)
    assert "is not read" in said
    assert f"{lost}: {{{correct}" in said if correct else True
    signal = lost.rpartition(".")[2]
    lines = {int(line) for line in re.findall(r"kit\.dbc:(\d+)", said)}
    places = [number for number, line in enumerate(text.splitlines(), 1) if signal in line]
    assert lines & {*places, first_change(name)}, said


@pytest.mark.parametrize("name", ["labels_garbled", "labels_without_quote", "labels_without_semicolon"])
def test_labels_that_are_lost_are_an_error_with_line_and_correction_only_where_used(
    tmp_path: Path, name: str
) -> None:
    text = path_of(name).read_text("utf-8")
    load(tmp_path, text, using("Feedback.Third"))
    used = using("Feedback.Third", "on")
    with pytest.raises(SpecError) as caught:
        load(tmp_path, text, used)
    line = first_change(name)
    assert "has no label" in str(caught.value)
    assert f"`Feedback.Third: {{labels: ..., reason: ...}}` (kit.dbc:{line}:" in str(caught.value)
    load(tmp_path, text, "correct:\n  Feedback.Third: {labels: {0: off, 1: on}, reason: manual}\n" + used)


@pytest.mark.parametrize("seed", range(60))
def test_messes_together_are_each_noted_and_change_no_value(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    names: list[str] = []
    for name in chance.sample(HARMLESS, chance.randint(4, 10)):
        names += [name] if together([*names, name]) else []
    text = CLEAN
    for name in names:
        text = messy(name, text)
    path = tmp_path / "kit.dbc"
    path.write_text(text, "utf-8")
    repairs = load_description(str(path)).repairs
    assert len(repairs) == len(names)
    for name in names:
        assert any(MESSES[name].notes[0] in one.text for one in repairs), name
    assert all(one.line <= other.line for one, other in pairwise(repairs))
    assert content(path) == content(path_of("clean"))


def test_repairs_are_notes_of_the_spec(tmp_path: Path) -> None:
    record = "records:\n  steering: {type: Steering, stamp: Feedback, wheel_angle: Feedback.Angle}\n"
    spec = load(tmp_path, path_of("short_number").read_text("utf-8"), record)
    assert [note.text for note in spec.notes if "kit.dbc:" in note.text] == [
        "kit.dbc:8: the number .25 is read as 0.25."
    ]


def test_a_signal_whose_selector_is_not_marked_can_be_corrected(tmp_path: Path) -> None:
    right = "correct:\n  Page.Oil: {selector: Which, reason: manual}\n"
    spec = load(tmp_path, path_of("selector_unmarked").read_text("utf-8"), right + using("Page.Oil"))
    (oil,) = [s for m in spec.buses["drive"].description.messages for s in m.signals if s.name == "Oil"]
    assert (oil.selector, oil.selected_by) == ("Which", ((2, 2),))


def refused_within(path: Path | str, seconds: float) -> str:
    start = time.process_time()
    with pytest.raises(DescriptionError) as caught:
        load_description(str(path))
    assert time.process_time() - start < seconds
    return str(caught.value)


def test_a_description_without_end_is_refused_at_once() -> None:
    assert f"larger than {LARGEST_FILE >> 20} MiB" in refused_within("/dev/zero", 2)


def test_a_comment_of_many_megabytes_takes_no_time(tmp_path: Path) -> None:
    path = tmp_path / "kit.dbc"
    path.write_text(f'{CLEAN}CM_ "{"x" * 30_000_000}";\n')
    start = time.process_time()
    assert content(path) == content(path_of("clean"))
    assert time.process_time() - start < 10


# What is damaged once, and a line that follows many times.
DAMAGED = {
    "quote_missing": ('CM_ BO_ 257 "open;\n', 'CM_ SG_ 257 Angle "text; of it";\n'),
    "comment_open": ('CM_ "open\n', "text of it\n"),
    "semicolon_missing": ('VAL_ 257 Third 0 "off"\n', 'BA_ "Colour" BO_ 257 "red";\n'),
    "messages_garbled": ("", "BO_ 1 M 8 Steer\n"),
    "signals_garbled": ("BO_ 1 M: 8 Steer\n", ' SG_ S 0|8@1+ (1,0) [0|0] "" Steer\n'),
    "words": ("", "see the manual\n"),
}


@pytest.mark.parametrize("kind", DAMAGED)
def test_a_damaged_description_loads_in_time_that_grows_with_its_length_alone(
    tmp_path: Path, kind: str
) -> None:
    once, line = DAMAGED[kind]
    seconds = []
    for count in (5_000, 20_000):
        path = tmp_path / "kit.dbc"
        path.write_text(f"{CLEAN}{once}{count * line}")
        taken = []
        for _ in range(3):  # the quickest tells the most, where others work beside
            start = time.process_time()
            description = load_description(str(path))
            taken.append(time.process_time() - start)
        seconds.append(min(taken))
        assert description.repairs
        assert {message.name for message in description.messages} >= {"Feedback", "Pump", "Page"}
    assert seconds[1] < 8 * seconds[0]


def test_too_many_signals_or_labels_are_refused_soon(tmp_path: Path) -> None:
    path = tmp_path / "kit.dbc"
    signal = ' SG_ S{} : 0|1@1+ (1,0) [0|0] "" A\n'
    signals = "".join(signal.format(number) for number in range(50))
    path.write_text("BU_: A\n" + "".join(f"BO_ {n + 0x80000000} M{n}: 8 A\n{signals}" for n in range(1_001)))
    assert "50,050 signals; describe no more than 50,000" in refused_within(path, 10)
    labels = " ".join(f'{number} "x"' for number in range(150_001))
    path.write_text(f"BO_ 1 M: 8 A\n{signal.format('')}VAL_ 1 S {labels} ;\n")
    assert "labels; describe no more than 150,000" in refused_within(path, 10)


def test_a_text_that_is_no_description_is_not_mended() -> None:
    assert mended("identifier,data\n").text == "identifier,data\n"
