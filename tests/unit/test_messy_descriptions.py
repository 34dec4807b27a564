"""Descriptions as kits come with them: read where only one reading is possible, each repair noted."""

from __future__ import annotations

import random
import time
from pathlib import Path

import cantools
import pytest

import canmap
from canmap.base.errors import DescriptionError, SpecError
from canmap.mapping.description.database import LARGEST_FILE
from canmap.mapping.description.dbcmend import mended
from canmap.mapping.description.load import load_description

FOLDER = Path(__file__).parent.parent / "data" / "messy_descriptions"
CLEAN = (FOLDER / "clean.dbc").read_text("utf-8")

# Mess: what stands in the file for what in the clean one (None: put at the end), and words of the note.
MESSES = {
    "label_of_nothing": (None, 'VAL_ 257 Tilt 0 "level" ;', "signal Tilt of message 257"),
    "comment_of_nothing": (None, 'CM_ SG_ 999 Tilt "level";', "signal Tilt of message 999"),
    "attribute_of_nothing": (None, 'BA_ "GenMsgCycleTime" BO_ 999 10;', "message 999"),
    "no_mark_of_29_bits": ("BO_ 2566845699 ", "BO_ 419362051 ", "lacks the mark of 29 bits"),
    "digit_name": (" Third ", " 3rd ", "the name 3rd begins with a digit"),
    "short_number": ("(0.25,0)", "(.25,0)", "the number .25 is read as 0.25"),
    "no_comment_keyword": (None, 'SG_ 257 Angle "of the column";', "lacks its keyword"),
    "no_comment_end": ('CM_ BO_ 257 "Steering";', 'CM_ BO_ 257 "Steering', "a comment cannot be read"),
    "no_comment_semicolon": ('"Steering";', '"Steering"', "lacks its semicolon"),
    "unknown_keyword": (None, 'TUNE_ 257 3 "a;b";', "TUNE_ is not known"),
}


def labels(signal: cantools.database.Signal) -> dict[int, str]:
    return {code: str(text) for code, text in (signal.choices or {}).items()}


def messy(name: str, text: str = CLEAN) -> str:
    old, new, _ = MESSES[name]
    if old is None:
        return f"{text}{new}\n"
    assert old in text
    return text.replace(old, new)


def content(path: Path) -> dict[str, object]:
    return {message.name: message for message in load_description(str(path)).messages}


@pytest.mark.parametrize("name", MESSES)
def test_a_mess_is_read_as_the_clean_file_and_noted_at_its_line(tmp_path: Path, name: str) -> None:
    path = tmp_path / "kit.dbc"
    path.write_text(messy(name), "utf-8")
    lines = path.read_text("utf-8").splitlines()
    _, new, words = MESSES[name]
    (repair,) = load_description(str(path)).repairs
    assert words in repair.text
    assert new.strip() in lines[repair.line - 1]
    clean = CLEAN.replace("Third", "3rd") if name == "digit_name" else CLEAN
    (tmp_path / "clean.dbc").write_text(clean.replace("3rd", "Third"), "utf-8")
    found, wanted = str(content(path)), str(content(tmp_path / "clean.dbc"))
    assert found.replace("3rd", "Third") == wanted


def test_the_clean_file_is_read_as_cantools_reads_it_and_nothing_is_noted() -> None:
    description = load_description(str(FOLDER / "clean.dbc"))
    assert description.repairs == ()
    theirs = cantools.database.load_file(FOLDER / "clean.dbc")
    assert [
        (m.name, m.can_id, [(s.name, s.start_bit, s.bits, float(s.factor), s.labels) for s in m.signals])
        for m in description.messages
    ] == [
        (m.name, m.frame_id, [(s.name, s.start, s.length, s.scale, labels(s)) for s in m.signals])
        for m in theirs.messages
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(60))
def test_messes_together_are_each_noted_and_change_no_value(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    names = chance.sample(sorted(MESSES), chance.randint(2, 6))
    if {"no_comment_end", "no_comment_semicolon"} <= set(names):
        names.remove("no_comment_end")
    text = CLEAN
    for name in names:
        text = messy(name, text)
    path = tmp_path / "kit.dbc"
    path.write_text(text, "utf-8")
    description = load_description(str(path))
    assert len(description.repairs) == len(names)
    lines = text.splitlines()
    for name in names:
        assert any(
            MESSES[name][2] in one.text and MESSES[name][1].strip() in lines[one.line - 1]
            for one in description.repairs
        ), name
    (tmp_path / "clean.dbc").write_text(CLEAN, "utf-8")
    assert str(content(path)).replace("3rd", "Third") == str(content(tmp_path / "clean.dbc"))


def load(folder: Path, text: str, more: str) -> canmap.Spec:
    (folder / "kit.dbc").write_text(text, "utf-8")
    head = "vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
    (folder / "cart.yaml").write_text(head + more, "utf-8")
    return canmap.load_spec(str(folder / "cart.yaml"))


def test_repairs_are_notes_of_the_spec(tmp_path: Path) -> None:
    record = "records:\n  steering: {type: Steering, stamp: Feedback, wheel_angle: Feedback.Angle}\n"
    spec = load(tmp_path, messy("short_number"), record)
    assert [note.text for note in spec.notes if "kit.dbc:" in note.text] == [
        "kit.dbc:5: the number .25 is read as 0.25."
    ]


SELECTED = CLEAN + (
    'BO_ 300 Page: 8 Steer\n SG_ Which : 0|8@1+ (1,0) [0|0] "" Steer\n'
    ' SG_ Oil m2 : 8|8@1+ (1,0) [0|0] "deg" Steer\n'
)
OIL = "records:\n  steering: {type: Steering, stamp: Page, wheel_angle: Page.Oil}\n"


def test_a_signal_whose_selector_is_not_marked_is_an_error_only_where_used_and_can_be_corrected(
    tmp_path: Path,
) -> None:
    with pytest.raises(SpecError) as caught:
        load(tmp_path, SELECTED, OIL)
    assert "marked m2, but nothing says which signal selects it (kit.dbc:" in str(caught.value)
    assert "`Page.Oil: {selector: ..., reason: ...}`" in str(caught.value)
    spec = load(tmp_path, SELECTED, f"correct:\n  Page.Oil: {{selector: Which, reason: manual}}\n{OIL}")
    (oil,) = [s for m in spec.buses["drive"].description.messages for s in m.signals if s.name == "Oil"]
    assert (oil.selector, oil.selected_by) == ("Which", ((2, 2),))


def test_a_message_with_an_impossible_identifier_is_left_out_and_an_error_only_where_used(
    tmp_path: Path,
) -> None:
    text = f'{CLEAN}BO_ 4294967295 Lost: 8 Steer\n SG_ A : 0|8@1+ (1,0) [0|0] "deg" Steer\n'
    line = text.splitlines().index("BO_ 4294967295 Lost: 8 Steer") + 1
    used = "records:\n  steering: {type: Steering, stamp: Lost, wheel_angle: Feedback.Angle}\n"
    with pytest.raises(SpecError, match=rf"`Lost` is not read \(kit.dbc:{line}: "):
        load(tmp_path, text, used)
    assert (
        "Lost" in load(tmp_path, text, used.replace("Lost", "Feedback")).buses["drive"].description.left_out
    )


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
    assert len(load_description(str(path)).messages) == len(content(FOLDER / "clean.dbc"))
    assert time.process_time() - start < 10


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
