"""No prose as data: what a sentence is about is in fields, and nobody recovers it from the sentence."""

from __future__ import annotations

import ast
import string
from dataclasses import fields, replace
from pathlib import Path

import pytest

import canmap
from canmap.frames.unread import CUT_PACKED, NO_FRAME, TOO_SLOW, Unread, UnreadKind, cut_short, damaged
from canmap.mapping import notes
from canmap.mapping.notes import Note, NoteReason

ROOT = Path(canmap.__file__).parent
# Names of what holds a sentence, or a part of one.
SENTENCES = {"why", "reason", "sentence", "advice", "note"}
# What holds one in its `text` or `detail`.
HOLDERS = {"fault", "finding", "note", "error", "unread", "notice"}
LOOKING = {
    "startswith", "endswith", "removeprefix", "removesuffix", "partition", "rpartition", "split", "rsplit",
    "splitlines", "find", "rfind", "index", "rindex", "replace", "translate", "count",
}  # fmt: skip
MATCHING = {"match", "fullmatch", "search", "findall", "finditer", "sub", "split"}
# What a library says is cut to one line here, for a reader.
ALLOWED = {"base/errors.py library_reason"}


def caught(tree: ast.AST) -> set[str]:
    return (
        {node.name for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler) and node.name}
        | {
            node.arg
            for node in ast.walk(tree)
            if isinstance(node, ast.arg)
            and node.annotation
            and "Error" in ast.unparse(node.annotation).split("[")[0]
        }
        | {"error"}
    )


def is_prose(node: ast.expr, errors: set[str]) -> bool:
    """Tell whether an expression is the text of an error, or named like a sentence."""
    match node:
        case ast.Call(func=ast.Name(id="str" | "repr"), args=[ast.Name(id=name)]):
            return name in errors | SENTENCES | HOLDERS
        case ast.Call(func=ast.Attribute(value=inner, attr="lower" | "upper" | "strip" | "casefold")):
            return is_prose(inner, errors)
        case ast.Subscript(value=inner):
            return is_prose(inner, errors)
        case ast.Attribute(value=ast.Name(id=owner), attr="text" | "detail"):
            return owner in HOLDERS
        case ast.Attribute(attr=name):
            return name in {"args", "strerror", "why", "sentence", "advice"}
    return isinstance(node, ast.Name) and node.id in SENTENCES


def looks_into(node: ast.AST, errors: set[str]) -> bool:
    """Tell whether a node takes a sentence apart or asks what stands in it."""
    match node:
        case ast.Call(func=ast.Attribute(value=value, attr=method), args=arguments):
            matched = method in MATCHING and any(is_prose(one, errors) for one in arguments)
            return matched or (method in LOOKING and is_prose(value, errors))
        case ast.Compare(left=left, ops=[ast.In() | ast.NotIn()], comparators=[right]):
            return is_prose(right, errors) and isinstance(left, ast.Constant | ast.JoinedStr | ast.Name)
        case ast.Compare(left=left, ops=[ast.Eq() | ast.NotEq()], comparators=[ast.Constant(value=str())]):
            return is_prose(left, errors)
        case ast.Assign(targets=[ast.Attribute(attr="args")]):
            return True
    return False


def taken_apart(tree: ast.Module) -> list[tuple[str, int]]:
    """Return where sentences are taken apart: the outermost function (or class) and the line."""
    return [
        (getattr(top, "name", ""), node.lineno)
        for top in tree.body
        for errors in [caught(top)]
        for node in ast.walk(top)
        if isinstance(node, ast.expr | ast.stmt) and looks_into(node, errors)
    ]


@pytest.mark.parametrize(
    "line",
    [
        'if why.startswith("there is no such file;"): pass',
        'first = str(error).partition("\\n")[0]',
        'if "start new thread" in str(error): pass',
        'error.args = ("other",)',
        'name = error.args[0].split("\'")[1]',
        'key = note.text.removeprefix("The key ")',
        'key = finding.text.split("`")[1]',
        'found = re.search("[0-9]+", reason)',
        'if fault.text == "The text is empty.": pass',
        'if error.strerror == "No space": pass',
        'if "gone" in error.strerror.lower(): pass',
    ],
)
def test_the_rule_sees_prose_taken_for_data(line: str) -> None:
    assert taken_apart(ast.parse(line)) != []


@pytest.mark.parametrize(
    "line",
    [
        'if text.startswith(";"): pass',
        "if error.errno == ENOENT: pass",
        'told = f"the file cannot be read: {error}."',
        "if note.reason is NoteReason.CORRECTED: pass",
    ],
)
def test_the_rule_lets_data_be(line: str) -> None:
    assert taken_apart(ast.parse(line)) == []


def test_nobody_recovers_data_from_a_sentence() -> None:
    found = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in sorted(ROOT.rglob("*.py"))
        for name, line in taken_apart(ast.parse(path.read_text(encoding="utf-8")))
        if f"{path.relative_to(ROOT)} {name}" not in ALLOWED
    ]
    assert found == []


# One note of every reason, with all that its sentence says, and the sentence.
NOTES = {
    NoteReason.NEVER_EXPECTED: (
        Note(reason=NoteReason.NEVER_EXPECTED, subject="Speed"),
        "Speed was not checked, because it was never expected: its conditions were never met.",
    ),
    NoteReason.LOSS_NOT_TOLD: (
        Note(reason=NoteReason.LOSS_NOT_TOLD, subject="Speed", detail="it is too irregular"),
        "Whether frames of Speed were lost is not told: there is no counter, and it is too irregular.",
    ),
    NoteReason.HELD_FOR_EVER: (
        Note(reason=NoteReason.HELD_FOR_EVER, subject="Speed"),
        "No period is known for Speed, so records hold what came for ever: write `max_age`, `period` "
        "or `heartbeat`.",
    ),
    NoteReason.NOTHING_PROMISED: (
        Note(reason=NoteReason.NOTHING_PROMISED, subject="Speed", line=5),
        "No period is known for Speed (line 5), so silence and rate are not checked: write `period` or "
        "`trigger` under `messages`.",
    ),
    NoteReason.NO_RATE_PROMISED: (
        Note(reason=NoteReason.NO_RATE_PROMISED, subject="Speed", line=5),
        "No period is known for Speed (line 5): the rate is not checked.",
    ),
    NoteReason.NO_HEARTBEAT: (
        Note(reason=NoteReason.NO_HEARTBEAT, subject="Speed", line=5, detail="is sent when it changes"),
        "Speed (line 5) is sent when it changes and has no heartbeat: its silence is not checked.",
    ),
    NoteReason.IN_PACKETS: (
        Note(reason=NoteReason.IN_PACKETS, subject="Codes", line=5),
        "Codes (line 5) comes in packets where it tells several codes: the silence and rate of its single "
        "frames are only checked with a `period` in the spec.",
    ),
    NoteReason.NO_STATE_MACHINE: (
        Note(reason=NoteReason.NO_STATE_MACHINE, subject="Steer", line=5),
        "The watchdog of Steer (line 5) is not checked: its `state_machine` is not named.",
    ),
    NoteReason.NO_MACHINE_OVERRIDDEN: (
        Note(reason=NoteReason.NO_MACHINE_OVERRIDDEN, subject="steering wheel", line=5),
        "The override steering wheel (line 5) is not checked: no state machine has `overridden` states.",
    ),
    NoteReason.NOT_VERIFIED_ON: (
        Note(reason=NoteReason.NOT_VERIFIED_ON, subject="drive", line=5, detail="0a1b"),
        "The spec was verified on another description of bus drive (line 5): this one has 0a1b.",
    ),
    NoteReason.CORRECTED: (
        Note(
            reason=NoteReason.CORRECTED,
            subject="Speed.speed",
            keys=("factor", "offset"),
            detail="measured on a stand",
            line=6,
        ),
        "The description of Speed.speed (line 6) is corrected in factor and offset: measured on a stand.",
    ),
    NoteReason.CORRECTED_IN_VAIN: (
        Note(reason=NoteReason.CORRECTED_IN_VAIN, subject="Speed.speed", line=6),
        "The correction of Speed.speed (line 6) changes nothing: the description says the same.",
    ),
    NoteReason.REPAIRED: (
        Note(reason=NoteReason.REPAIRED, file="bus.dbc", line=7, detail="a line\x07is left out"),
        "bus.dbc:7: a line is left out",
    ),
    NoteReason.MORE_REPAIRS: (
        Note(reason=NoteReason.MORE_REPAIRS, file="bus.dbc", count=2),
        "bus.dbc: 2 more repairs.",
    ),
    NoteReason.NOT_READ: (
        Note(reason=NoteReason.NOT_READ, subject="Speed", file="bus.dbc", detail="its length\nis 0"),
        "Signals of Speed in bus.dbc are not read: its length is 0.",
    ),
}


@pytest.mark.parametrize("reason", NoteReason)
def test_every_reason_of_a_note_has_its_sentence(reason: NoteReason) -> None:
    note, sentence = NOTES[reason]
    assert note.reason is reason
    assert note.text == sentence


# What each field of a sentence is made of.
MADE_OF = {
    "subject": "subject", "keys": "keys", "detail": "detail",
    "place": "line", "where": "line", "file": "file", "at": "file", "more": "count",
}  # fmt: skip


@pytest.mark.parametrize("reason", NoteReason)
def test_every_sentence_of_a_note_fills_all_its_fields(reason: NoteReason) -> None:
    assert set(notes._SENTENCES) == set(NoteReason)
    note, _ = NOTES[reason]
    bare = Note(reason=reason)
    filled = {field.name for field in fields(Note) if getattr(note, field.name) != getattr(bare, field.name)}
    named = {name for _, name, _, _ in string.Formatter().parse(notes._SENTENCES[reason]) if name}
    assert {MADE_OF[name] for name in named} <= filled
    assert not set("{}") & set(note.text)
    for name in filled - {"reason"}:
        assert replace(note, **{name: getattr(bare, name)}).text != note.text, (
            f"{name} is not in the sentence"
        )


# One of every kind, its words in a sentence ("..., as it ends before it should"), and the whole sentence.
UNREAD = {
    UnreadKind.UNREADABLE: (
        Unread(UnreadKind.UNREADABLE, "the payload has an odd number of digits"),
        "the payload has an odd number of digits",
        "Line 9 of a.log cannot be read: the payload has an odd number of digits.",
    ),
    UnreadKind.TOO_SLOW: (
        TOO_SLOW,
        "the compressed file has too many lines of unusual form; unpack it first",
        "Line 9 of a.log cannot be read: the compressed file has too many lines of unusual form; "
        "unpack it first.",
    ),
    UnreadKind.STOPPED: (
        damaged("bad block"),
        "the data cannot be read from here on (bad block)",
        "Line 9 of a.log cannot be read: the data cannot be read from here on (bad block).",
    ),
    UnreadKind.CUT_SHORT: (
        cut_short("12 bytes are missing", "an object"),
        "it ends before it should, in the middle of an object: 12 bytes are missing",
        "a.log ends before it should, in the middle of an object: 12 bytes are missing.",
    ),
    UnreadKind.NO_FRAME: (NO_FRAME, "it holds no frame", "a.log holds no frame."),
}


@pytest.mark.parametrize("kind", UnreadKind)
def test_every_kind_of_what_is_not_read_has_its_sentence(kind: UnreadKind) -> None:
    unread, words, sentence = UNREAD[kind]
    assert unread.kind is kind
    assert str(unread) == words
    assert unread.sentence("a.log", 9) == sentence


def test_what_is_cut_says_only_what_is_known() -> None:
    assert str(cut_short()) == "it ends before it should"
    assert (
        cut_short(inside="a line").sentence("a.log", 0)
        == "a.log ends before it should, in the middle of a line."
    )
    assert str(CUT_PACKED) == "it ends before it should: its compressed data are not complete"
