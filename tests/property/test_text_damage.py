"""Damaged bus descriptions and specs: a result or clear sentences; no other exception, and soon."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.damage import description_outcome, spec_outcome
from tests.targets import TARGETS
from tests.texts import (
    PARTED,
    ROOT,
    alias_bomb,
    damaged_spec,
    damaged_text,
    descriptions,
    entity_bomb,
    specs,
)

DESCRIPTIONS, SPECS = descriptions(), specs()
HEAD = b'VERSION ""\nBU_: A\nBO_ 257 Steer: 8 A\n'
SIGNAL = b' SG_ Angle : 0|16@1- (0.1,0) [-540|540] "deg" A\n'
SPEC = b"vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"


def test_seeds_are_complete() -> None:
    """Damage to what is faulty already would find little."""
    outcomes = [spec_outcome(seed) for seed in SPECS]
    assert set(outcomes) == {"spec", "nothing"}
    assert outcomes.count("spec") > len(SPECS) / 3
    assert "description" in {description_outcome(".dbc", seed) for seed in DESCRIPTIONS[:3]}


def test_every_kind_of_mess_is_among_the_seeds() -> None:
    seeds = set(TARGETS["description"].seeds())
    messes = list((ROOT / "tests" / "data" / "messy_descriptions").glob("*.dbc"))
    assert len(messes) > 40
    assert {path.read_bytes() for path in messes} <= seeds


@given(seed=st.integers(0, 2**32 - 1))
def test_damaged_descriptions(seed: int) -> None:
    rng = random.Random(seed)
    data = damaged_text(rng, rng.choice(DESCRIPTIONS), DESCRIPTIONS)
    assert description_outcome(".dbc", data) in {"description", "nothing", "error"}


@given(seed=st.integers(0, 2**32 - 1))
def test_damaged_specs(seed: int) -> None:
    rng = random.Random(seed)
    assert spec_outcome(damaged_spec(rng, rng.choice(SPECS), SPECS)) in {"spec", "nothing", "error"}


@given(data=st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    description_outcome(".dbc", data)
    spec_outcome(data)


OUTCOMES = {
    "length": (HEAD.replace(b": 8", b": 4294967295") + SIGNAL, "nothing"),  # the message is left out
    "start": (HEAD + SIGNAL.replace(b"0|16", b"999999999|16"), "description"),
    "bits": (HEAD + SIGNAL.replace(b"0|16", b"0|" + b"9" * 5000), "description"),
    "identifier": (HEAD.replace(b"257", b"9" * 5000) + SIGNAL, "nothing"),
    "long names": (HEAD + 2 * SIGNAL.replace(b"Angle", b"A" * 60_000), "description"),
    "long word": (HEAD + SIGNAL + b"A" * 60_000, "description"),
    "exponent": (
        HEAD + SIGNAL + b'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1e999999999;\n',
        "description",
    ),
    "period": (
        HEAD
        + SIGNAL
        + b'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 0;\nBA_ "GenMsgCycleTime" BO_ 257 18446744073709551616;\n',
        "description",
    ),
    "selected by nothing": (HEAD + b"SG_MUL_VAL_ 257 Angle Angle 8-8,\n\t24-2;\n", "description"),
    "no end": (HEAD + 300 * b"SG_MUL_VAL_ 257 Angle Angle 8-8\n" + b"\n" * 60_000, "description"),
    "digits": (HEAD + b"SG_MUL_VAL_ 257 Angle Angle " + b"8" * 60_000 + b";\n", "description"),
}


@pytest.mark.parametrize(("text", "wanted"), OUTCOMES.values(), ids=OUTCOMES)
def test_descriptions_that_hung_or_broke_the_loader(text: bytes, wanted: str) -> None:
    assert description_outcome(".dbc", text) == wanted


@pytest.mark.parametrize(
    "text",
    [
        HEAD + SIGNAL.replace(b"(0.1", b"(1e308"),
        HEAD + b"".join(SIGNAL.replace(b"Angle", b"A%d" % n) for n in range(1000)),
    ],
    ids=["factor", "overlaps"],
)
def test_descriptions_of_which_no_signal_can_be_read(text: bytes) -> None:
    assert description_outcome(".dbc", text) == "description"


def test_a_name_is_no_exponent() -> None:
    assert description_outcome(".dbc", HEAD + SIGNAL.replace(b"Angle", b"Motor3E9999")) == "description"


@pytest.mark.parametrize("ending", [".kcd", ".arxml"])
def test_entities_without_end(ending: str) -> None:
    text = b'<?xml version="1.0"?>' + entity_bomb(12) + b"<a>&e11;</a>"
    assert description_outcome(ending, text) == "error"


@pytest.mark.parametrize(
    "text",
    [
        alias_bomb() + b"records: *level8\n",
        SPEC + b"records: " + b"[" * 100_000,
        SPEC + b"records: " + b"{a: " * 1_000,
        SPEC + b"x" * 100_000 + b": 1\n",
        SPEC.replace(b"can0", b"can0, bit_rate: 250 kbit\t\t/s"),
        SPEC + b"include: [spec.yaml]\n",
    ],
    ids=lambda text: str(text[-20:]),
)
def test_specs_made_to_exhaust_the_loader(text: bytes) -> None:
    assert spec_outcome(PARTED.join((text, b"vehicle: Cart\n", HEAD + SIGNAL))) == "error"


def test_a_label_of_a_code_that_cannot_come() -> None:
    """The record of the gear is looked up by its labels."""
    signal = b' SG_ Gear : 0|3@1+ (1,0) [0|7] "" A\n'
    description = HEAD + signal + b'VAL_ 257 Gear 18446744073709551616 "Park" 3 "Forward" ;\n'
    spec = SPEC + b"records:\n  drive: {type: Drive, stamp: Steer, gear: Steer.Gear}\n"
    assert spec_outcome(PARTED.join((spec, b"", description))) == "spec"
