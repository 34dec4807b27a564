"""What is wrong with a description is said with its line, all of it at once, and nothing else escapes."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import CanmapError, DescriptionError, Fault
from canmap.mapping.description.load import load_description

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.description.description import Description

HEAD = 'VERSION ""\nBU_: Steer Brake\n'  # two lines


def faults(tmp_path: Path, body: str | bytes, name: str = "kit.dbc") -> list[Fault]:
    path = tmp_path / name
    path.write_bytes(body if isinstance(body, bytes) else (HEAD + body).encode())
    with pytest.raises(DescriptionError) as caught:
        load_description(str(path))
    assert {fault.file for fault in caught.value.faults} == {str(path)}
    return list(caught.value.faults)


def signal(name: str, layout: str, marker: str = "") -> str:
    return f' SG_ {name}{marker} : {layout} (1,0) [0|0] "" Brake\n'


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match=r"nowhere\.dbc: there is no such file") as caught:
        load_description(str(tmp_path / "nowhere.dbc"))
    assert isinstance(caught.value, CanmapError)


def test_a_path_with_a_nul_is_no_file() -> None:
    with pytest.raises(DescriptionError, match="there is no such file"):
        load_description("kit\0.dbc")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="this is a folder"):
        load_description(str(tmp_path))


def test_an_empty_file(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, b" \n")
    assert "is empty" in fault.text


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, b'VERSION ""\nCM_ "\xb0\x81";')
    assert (fault.line, fault.column) == (2, 7)
    assert "0x81" in fault.text


def test_a_binary_file(tmp_path: Path) -> None:
    for content in ('VERSION ""'.encode("utf-16-le"), b"LOGG\x90\x00\x81"):
        (fault,) = faults(tmp_path, content)
        assert "not a text file" in fault.text


def test_a_text_that_says_it_is_utf_16(tmp_path: Path) -> None:
    for order, mark in (("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff")):
        (fault,) = faults(tmp_path, mark + 'VERSION ""'.encode(order))
        assert fault.text == "this is text in UTF-16; save the file as UTF-8."


def test_text_that_is_no_dbc_at_all(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, b"identifier,data\n")
    assert (fault.line, fault.column) == (1, 1)
    assert "expected a statement of a DBC file" in fault.text


def left_out(tmp_path: Path, body: str) -> tuple[Description, list[str]]:
    """Load a description; return it, and its repairs as "line: text"."""
    path = tmp_path / "kit.dbc"
    path.write_text(HEAD + body, encoding="utf-8")
    description = load_description(str(path))
    return description, [f"{one.line}: {one.text}" for one in description.repairs]


def test_of_two_messages_with_one_identifier_or_one_name_neither_is_read(tmp_path: Path) -> None:
    description, repairs = left_out(
        tmp_path,
        "BO_ 5 One: 8 Steer\nBO_ 2147483653 Extended: 8 Steer\nBO_ 6 Two: 8 Steer\n"
        "BO_ 5 Three: 8 Brake\nBO_ 7 Two: 8 Brake\n",
    )
    assert [message.name for message in description.messages] == ["Extended"]
    assert set(description.left_out) == {"One", "Two", "Three"}
    end = "; which one is meant is unclear, so neither is read."
    assert repairs == [
        f"3: message One (identifier 0x5) has the identifier of message Three (line 6){end}",
        f"5: message Two (identifier 0x6) has the name of another message (line 7){end}",
        f"6: message Three (identifier 0x5) has the identifier of message One (line 3){end}",
        f"7: message Two (identifier 0x7) has the name of another message (line 5){end}",
    ]


def test_of_two_signals_of_one_name_neither_is_read(tmp_path: Path) -> None:
    description, repairs = left_out(
        tmp_path,
        "BO_ 5 M: 8 Steer\n" + signal("S", "0|8@1+") + signal("S", "8|8@1+") + signal("T", "16|8@1+"),
    )
    assert [one.name for one in description.messages[0].all_signals] == ["T"]
    assert set(description.left_out) == {"M.S"}
    assert [text.partition(";")[0] for text in repairs] == [
        "4: signal S of message M has the name of another signal (line 5)",
        "5: signal S of message M has the name of another signal (line 4)",
    ]


def test_a_signal_of_no_bits_or_beyond_any_message_is_doubtful(tmp_path: Path) -> None:
    body = "BO_ 1 M: 8 Steer\n" + signal("Empty", "0|0@1+") + signal("Far", "999999999|16@1+")
    assert doubts(tmp_path, body + signal("Angle", "0|16@1-")) == {
        "Empty": "is 0 bits long",
        "Far": "does not fit, as it needs 125000002 bytes and the message has 8",
    }


@pytest.mark.parametrize(("layout", "kind", "form"), [("0|16@1+", 2, "2, but 16"), ("0|8@1+", 1, "1, but 8")])
def test_a_floating_point_number_of_an_impossible_length_is_left_out(
    tmp_path: Path, layout: str, kind: int, form: str
) -> None:
    body = "BO_ 1 M: 8 Steer\n" + signal("S", layout) + signal("T", "16|8@1+") + 'VAL_ 1 S 0 "a" ;\n'
    description, repairs = left_out(tmp_path, f"{body}SIG_VALTYPE_ 1 S : {kind};\n")
    assert [one.name for one in description.messages[0].all_signals] == ["T"]
    assert set(description.left_out) == {"M.S"}
    (text,) = repairs
    assert text.startswith(f"7: signal S of message M is a floating-point number of type {form} bits long;")


def test_a_message_longer_than_any_is_left_out(tmp_path: Path) -> None:
    body = "BO_ 1 M: 4294967295 Steer\n" + signal("S", "0|8@1+") + "BO_ 2 N: 8 Steer\n"
    description, repairs = left_out(tmp_path, body)
    assert [message.name for message in description.messages] == ["N"]
    assert repairs == [
        "3: message M is 4,294,967,295 bytes long, and the longest possible has 1,785; left out."
    ]


def test_a_number_with_an_impossible_exponent_makes_its_signal_doubtful(tmp_path: Path) -> None:
    body = (
        "BO_ 1 M: 8 Steer\n" + signal("Big", "0|8@1+").replace("(1,0)", "(1e999999999,-1e-999999)")
        + signal("Limit", "8|8@1+").replace("|0]", "|1e999999]")
        + 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1e999999999;\nBA_ "GenMsgCycleTime" BO_ 1 20;\n'
    )  # fmt: skip
    assert doubts(tmp_path, body) == {"Big": "has a factor and an offset that is impossible"}
    description, repairs = left_out(tmp_path, body)
    assert description.messages[0].signals[0].maximum is None
    assert description.messages[0].period_ns == 20_000_000
    assert [text[:2] for text in repairs] == ["4:", "5:"]
    assert repairs[0] == "4: signal Big: the number 1e999999999 is impossible; it is not read."


def test_a_cycle_time_of_more_than_a_week_is_not_read(tmp_path: Path) -> None:
    define = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 0;\nBA_ "GenMsgCycleTime" BO_ 1 '
    description, repairs = left_out(tmp_path, f"BO_ 1 M: 8 Steer\n{define}604800001;\n")
    assert description.messages[0].period_ns is None
    assert repairs == ["3: the cycle time of message M is more than a week; it is not read."]


def doubts(tmp_path: Path, body: str) -> dict[str, str]:
    """Load a description; return why which signals are not read, after checking that all others are."""
    path = tmp_path / "kit.dbc"
    path.write_text(HEAD + body, encoding="utf-8")
    messages = load_description(str(path)).messages
    assert sum(len(message.all_signals) for message in messages) == body.count("SG_ ")
    for message in messages:
        assert not {signal.name for signal in message.signals} & {one.signal.name for one in message.doubtful}
    return {one.signal.name: one.why for message in messages for one in message.doubtful}


def test_overlaps_and_signals_outside_are_not_read(tmp_path: Path) -> None:
    found = doubts(
        tmp_path,
        "BO_ 1 Good: 1 Steer\n" + signal("S", "0|8@1+")
        + "BO_ 2 Overlap: 8 Steer\n" + signal("A", "0|12@1+") + signal("B", "15|8@0+")
        + "BO_ 3 Outside: 2 Steer\n" + signal("C", "8|9@1+") + signal("D", "0|2@0-") + signal("E", "8|2@0-"),
    )  # fmt: skip
    # D shares bit 15 with C, but only one of them lies in the message.
    assert found == {
        "A": "shares bits with B",
        "B": "shares bits with A",
        "C": "does not fit, as it needs 3 bytes and the message has 2",
        "E": "does not fit, as it needs 3 bytes and the message has 2",
    }


def test_a_signal_longer_than_64_bits_leaves_the_others(tmp_path: Path) -> None:
    body = "BO_ 1 M: 24 Steer\n" + signal("Serial", "64|120@1+") + signal("Angle", "0|16@1-")
    assert doubts(tmp_path, body) == {"Serial": "is 120 bits long, and the longest that is read is 64"}


def test_a_message_of_too_many_signals_is_left_out(tmp_path: Path) -> None:
    many = "".join(signal(f"S{number}", "0|8@1+") for number in range(2049))
    description, repairs = left_out(
        tmp_path, f"BO_ 1 M: 8 Steer\n{many}BO_ 2 N: 8 Steer\n{signal('S', '0|8@1+')}"
    )
    assert [message.name for message in description.messages] == ["N"]
    assert set(description.left_out) == {"M"}
    assert repairs == ["3: message M has 2,049 signals, and at most 2,048 of one message are read; left out."]


@pytest.mark.parametrize("of_the_first", ["9999", "8"])
def test_a_message_with_the_identifier_of_one_that_is_left_out_is_left_out_too(
    tmp_path: Path, of_the_first: str
) -> None:
    lengths = {"A": of_the_first, "B": "8" if of_the_first == "9999" else "9999"}
    body = "".join(f"BO_ 1 {name}: {length} Steer\n" for name, length in lengths.items())
    description, repairs = left_out(tmp_path, body)
    assert set(description.left_out) == {"A", "B"}
    assert sum("9,999 bytes long" in text for text in repairs) == 1
    assert sum("has the identifier 0x1 of message" in text for text in repairs) == 1


def test_what_a_doubtful_signal_selects_is_doubtful(tmp_path: Path) -> None:
    body = (
        "BO_ 1 M: 8 Steer\n" + signal("Page", "0|8@1+", " M") + signal("Other", "4|8@1+")
        + signal("Sub", "16|8@1+", " m1M") + signal("A", "24|8@1+", " m4")
        + "SG_MUL_VAL_ 1 Sub Page 1-1;\nSG_MUL_VAL_ 1 A Sub 4-4;\n"
    )  # fmt: skip
    assert doubts(tmp_path, body) == {
        "Page": "shares bits with Other",
        "Other": "shares bits with Page",
        "Sub": "is selected by Page, which is not read",
        "A": "is selected by Sub, which is not read",
    }


def test_what_nothing_can_select_is_not_read(tmp_path: Path) -> None:
    body = (
        "BO_ 1 M: 8 Steer\n" + signal("P", "0|32@1+", " M") + signal("S", "32|8@1+", " m0")
        + "BO_ 2 N: 8 Steer\n" + signal("Q", "0|8@1+", " m1M") + signal("R", "8|8@1+", " m1M")
        + "BO_ 3 L: 8 Steer\n" + signal("T", "0|8@1+", " m5")
        + "SIG_VALTYPE_ 1 P : 1;\nSG_MUL_VAL_ 2 Q R 1-1;\nSG_MUL_VAL_ 2 R Q 1-1;\n"
    )  # fmt: skip
    assert doubts(tmp_path, body) == {
        "S": "is selected by P, which is a floating-point number",
        "Q": "is selected by R, which it selects itself, in a circle",
        "R": "is selected by Q, which it selects itself, in a circle",
        "T": "is marked m5, but nothing says which signal selects it",
    }


def test_of_many_overlaps_some_are_named(tmp_path: Path) -> None:
    body = "BO_ 1 M: 8 Steer\n" + "".join(signal(f"S{number}", "0|8@1+") for number in range(6))
    assert doubts(tmp_path, body)["S0"] == "shares bits with S1, S2, S3 and more"


def test_disjoint_multiplexer_values_may_share_bits(tmp_path: Path) -> None:
    def text(ranges: str) -> str:
        return (
            "BO_ 1 M: 8 Steer\n" + signal("Page", "0|8@1+", " M")
            + signal("A", "8|8@1+", " m0") + signal("B", "8|8@1+", " m4")
            + f"SG_MUL_VAL_ 1 A Page 0-3;\nSG_MUL_VAL_ 1 B Page {ranges};\n"
        )  # fmt: skip

    path = tmp_path / "good.dbc"
    path.write_text(HEAD + text("4-9"))
    assert len(load_description(str(path)).messages[0].signals) == 3
    assert doubts(tmp_path, text("3-9")) == {"A": "shares bits with B", "B": "shares bits with A"}


def test_strings_and_comments_do_not_shift_or_make_lines(tmp_path: Path) -> None:
    _, (repair, _) = left_out(
        tmp_path,
        'CM_ "two\nlines BO_ 9 X: 8 Y\n SG_ no : 0|8";\n// SG_ neither : 0|8\nBO_ 1 M: 1 Steer\n'
        + 2 * signal("S", "0|1@1+"),
    )
    assert repair.startswith("8:")


def test_an_unreadable_xml_format_is_refused_with_its_line(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, b"<NetworkDefinition>\n<Bus>\n</NetworkDefinition>", "kit.kcd")
    assert fault.line == 3


def test_nothing_is_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    assert left_out(tmp_path, "BO_ 5 One: 8 Steer\nBO_ 5 One: 8 Steer\n")[0].messages == ()
    assert caplog.records == []


PIECES = [
    "BO_ 1 M: 8 A\n", ' SG_ S : 0|8@1+ (1,0) [0|0] "" A\n', "SG_", "M", "m1", ":", "7|99@0-", '"', ";",
    'VAL_ 1 S 1 "a";\n', "SG_MUL_VAL_ 1 S S 1-2;\n", 'BA_ "GenMsgCycleTime" BO_ 1 x;\n', "1e999", "\n", "é",
]  # fmt: skip


@given(st.lists(st.sampled_from(PIECES), max_size=12).map("".join))
def test_any_text_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged.dbc"
    path.write_text('VERSION ""\n' + text, "utf-8")
    try:
        load_description(str(path))
    except DescriptionError as error:
        assert all(fault.text.endswith(".") for fault in error.faults)  # noqa: PT017  # both ways are right
