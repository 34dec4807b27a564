"""What is garbled in a description, or cannot be, is left out and noted."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import DescriptionError
from canmap.mapping.description.load import load_description
from tests.unit.test_description_faults import HEAD, left_out, signal

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("body", "line", "words"),
    [
        # The colon is missing.
        ("BO_ 1 M: 8 Steer\n SG_ S 0|8@1+ (1,0) [0|0]", 4, "signal S of message M cannot be read, exp"),
        ('BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0) [0|0] "deg Brake\n', 4, "signal S of message M cannot be"),
        ("BO_ 1 M 8 Steer\n", 3, "message M cannot be read, expected `BO_ identifier name: length sender`"),
        ("BO_ 1 M: 8 Steer\nend\n", 4, "'end' cannot stand here"),
        ('BO_ 1 M: 8 A\nVAL_ 1 S 0 "a"\n', 4, "the labels of message M cannot be read, expected `VAL_"),
        ("BO_ 1 M: 8 Steer\n SG_ S : 0|8@1+ (1,0)", 4, "signal S of message M cannot be read"),
        ("BO_ 1 M: 8", 3, "message M cannot be read"),
        ('CM_ "SG_ : BO_ 1";\nBO_ one M: 8 Steer\n', 4, "message M cannot be read"),
        ("SG_ S : 0|8@1+", 3, "signal S is not below its message"),
        ("BO_ 1 M: 8 A\n junk BO_ 2 N: 8 A\n SG_ S : 0|8@1+", 4, "'junk' cannot stand here"),
        ('BO_ 1 M: 8 A\nBA_ "GenMsgCycleTime" BO_ 1 x;\n', 4, "an attribute cannot be read"),
        ("BO_ 1 M: 8 A\nBO_TX_BU_ 1 : A B;\n", 4, "the senders of message M cannot be read"),
    ],
)  # fmt: skip
def test_what_is_garbled_is_left_out_and_noted_with_what_was_expected(
    tmp_path: Path, body: str, line: int, words: str
) -> None:
    description, repairs = left_out(tmp_path, body)
    assert repairs[0].startswith(f"{line}: {words}")
    assert not any(message.all_signals for message in description.messages)


def test_a_signal_after_what_may_hide_its_message_goes_to_no_other(tmp_path: Path) -> None:
    body = "BO_ 1 M: 8 A\n SG_ S 0|8 BO_ 2 N: 8 A\n" + signal("T", "0|8@1+")
    description, repairs = left_out(tmp_path, body)
    assert [(message.name, message.all_signals) for message in description.messages] == [("M", ())]
    assert repairs[1] == "5: signal T is not below its message; left out."


@given(st.integers(0, 400))
def test_a_file_that_is_cut_off_never_loses_a_signal_in_silence(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    text = HEAD + "BO_ 1 M: 8 Steer\n" + signal("A", "0|8@1+") + signal("B", "8|8@1+") + 'VAL_ 1 A 1 "on" ;\n'
    path = tmp_path_factory.getbasetemp() / "cut.dbc"
    path.write_text(text[:cut])
    try:
        description = load_description(str(path))
    except DescriptionError:
        return
    begun = len(re.findall("BO_|SG_|VAL_", text[:cut]))
    signals = [one for message in description.messages for one in message.signals]
    read = len(description.messages) + len(signals) + sum(bool(one.labels) for one in signals)
    assert begun <= read + len(description.repairs)


LONG_NAMES = (
    'BA_DEF_ BO_ "SystemMessageLongSymbol" STRING ;\nBA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\n'
    'BA_ "SystemMessageLongSymbol" BO_ 1 "MuchLonger";\nBA_ "SystemSignalLongSymbol" SG_ 1 S "LongSignal";\n'
)


def test_a_message_that_is_left_out_is_known_by_its_long_name_too(tmp_path: Path) -> None:
    for length in ("9999", "8 8"):
        description, _ = left_out(tmp_path, f"BO_ 1 M: {length} Steer\n{LONG_NAMES}")
        assert set(description.left_out) == {"M", "MuchLonger"}


def test_a_signal_that_is_left_out_is_known_by_its_long_name_too(tmp_path: Path) -> None:
    body = "BO_ 1 M: 8 Steer\n" + signal("S", "0|8@7+") + signal("T", "8|8@1+") + LONG_NAMES
    description, _ = left_out(tmp_path, body)
    assert [message.name for message in description.messages] == ["MuchLonger"]
    assert set(description.left_out) == {"M.S", "M.LongSignal", "MuchLonger.S", "MuchLonger.LongSignal"}


def test_what_a_lost_selector_selects_is_not_given_to_another(tmp_path: Path) -> None:
    """cantools takes the only selector of a message for that of all its signals."""
    body = (
        "BO_ 1 M: 8 Steer\n" + signal("Page", "0/8@1+", " M") + signal("Sub", "8|8@1+", " m1M")
        + signal("A", "16|8@1+", " m4") + "SG_MUL_VAL_ 1 A Page 4-4;\n"
    )  # fmt: skip
    path = tmp_path / "kit.dbc"
    path.write_text(HEAD + body)
    (message,) = load_description(str(path)).messages
    assert {one.signal.name: one.why for one in message.doubtful} == {
        "Sub": "is marked m1, but nothing says which signal selects it",
        "A": "is marked m4, but nothing says which signal selects it",
    }


@pytest.mark.parametrize("ranges", ["0-400000000", "5-2", "1-2, 9-8", "0-40000, 50000-90000", "1-x", "7"])
def test_a_signal_of_multiplexer_values_that_cannot_be_is_left_out(tmp_path: Path, ranges: str) -> None:
    body = (
        "BO_ 1 M: 8 Steer\n" + signal("P", "0|32@1+", " M") + signal("S", "32|8@1+", " m0")
        + signal("T", "40|8@1+", " m0") + f"SG_MUL_VAL_ 1 S P {ranges};\n"
    )  # fmt: skip
    description, repairs = left_out(tmp_path, body)
    assert [one.name for one in description.messages[0].signals] == ["P", "T"]
    assert set(description.left_out) == {"M.S"}
    (text,) = repairs
    assert text.startswith("7: ")


def test_multiplexer_values_of_which_there_are_too_many_in_all_are_left_out(tmp_path: Path) -> None:
    names = [f"S{number}" for number in range(17)]
    body = "BO_ 1 M: 8 Steer\n" + signal("P", "0|32@1+", " M")
    body += "".join(signal(name, "32|8@1+", " m0") for name in names)
    body += "".join(f"SG_MUL_VAL_ 1 {name} P 0-65535;\n" for name in names)
    assert set(left_out(tmp_path, body)[0].left_out) == {"M.S16"}


def test_a_garbled_type_without_a_name_leaves_out_all_that_it_may_be_about(tmp_path: Path) -> None:
    body = "BO_ 1 M: 16 Steer\n" + signal("S", "0|32@1+") + signal("T", "32|64@1+") + signal("U", "96|8@1+")
    description, _ = left_out(tmp_path, f"{body}SIG_VALTYPE_ 1 : 2;\n")
    assert [one.name for one in description.messages[0].signals] == ["U"]


def test_the_message_of_unsent_signals_is_on_no_bus_whatever_its_name(tmp_path: Path) -> None:
    body = "BO_ 3221225472 Nobody: 8 A\n" + signal("S", "0|8@1+") + 'VAL_ 3221225472 S 0 "a" ;\n'
    description, repairs = left_out(tmp_path, f"{body}BO_ 1 M: 8 A\n")
    assert [message.name for message in description.messages] == ["M"]
    assert repairs == []


def test_labels_of_an_environment_variable_whose_name_begins_with_a_number_are_nobodys(
    tmp_path: Path,
) -> None:
    """cantools takes it for an identifier and a name."""
    description, repairs = left_out(tmp_path, 'BO_ 1 M: 8 A\nVAL_ 25e 4 "idle" ;\n')
    assert (len(description.messages), repairs) == (1, [])


@pytest.mark.parametrize("number", ["1e309", "-1e400", "9" * 390])
def test_a_number_that_no_floating_point_number_holds_makes_its_signal_doubtful(
    tmp_path: Path, number: str
) -> None:
    body = "BO_ 1 M: 8 A\n" + signal("S", "0|8@1+").replace("(1,0)", f"(1,{number})") + signal("T", "8|8@1+")
    (message,) = left_out(tmp_path, body)[0].messages
    assert [one.name for one in message.signals] == ["T"]
    assert message.doubtful[0].why == "has an offset that is impossible"
