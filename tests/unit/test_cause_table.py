"""The table of causes: a closed vocabulary, every row reachable, every atom gathered, mistakes told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.api.diagnose import diagnose
from canmap.base.errors import FaultyFileError
from canmap.diagnosis.cause_table import EXCLUDES, TABLE, Cause, Item, cause_table, read_causes
from canmap.diagnosis.facts.atoms import GATHER
from canmap.diagnosis.facts.evidence import VALUES, Atom, Evidence, Role
from canmap.diagnosis.onsets import OnsetKind
from canmap.diagnosis.scoring import LEAST_POINTS, Decision, judged
from canmap.diagnosis.telling.deciding import BY_ONSET
from canmap.diagnosis.telling.evidence_words import SENTENCES, sentence
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

TEXT = TABLE.read_text(encoding="utf-8")
CAUSES = cause_table().causes
DROP = TABLE.parents[2] / "captures" / "steering_drop.log"


def met(item: Item) -> Evidence:
    """Evidence that an item asks for, as sure as can be."""
    return Evidence(
        atom=item.atom,
        value=item.values[0],
        role=(*item.of, Role.ANY)[0],
        subject="X",
        from_ns=0,
        to_ns=1,
        names=("X",),
    )


def speaks_for(cause: Cause) -> list[Evidence]:
    return [met(item) for group in cause.groups for item in group.items if item.weight > 0]


@pytest.mark.parametrize("key", CAUSES)
def test_every_cause_can_be_named(key: str) -> None:
    """With all that speaks for it, and nothing against it, a row is named or tied; its checks are there."""
    cause = CAUSES[key]
    judgement = judged(speaks_for(cause), cause_table(), 0)
    points = next(one.points for one in judgement.ranked if one.cause.key == key)
    assert points >= LEAST_POINTS
    assert cause.checks


@pytest.mark.parametrize("key", CAUSES)
def test_what_rules_a_cause_out_does(key: str) -> None:
    cause = CAUSES[key]
    excluding = [item for group in cause.groups for item in group.items if item.weight == EXCLUDES]
    for item in excluding:
        judgement = judged([*speaks_for(cause), met(item)], cause_table(), 0)
        assert key not in [one.cause.key for one in judgement.ranked]


@pytest.mark.parametrize("key", CAUSES)
def test_a_cause_is_not_named_without_what_it_rests_on(key: str) -> None:
    cause = CAUSES[key]
    core = [item for group in cause.groups if not group.adds for item in group.items]
    assert core, "it rests on something"
    values = {(item.atom, value) for item in core for value in item.values}
    rest = [one for one in speaks_for(cause) if (one.atom, one.value) not in values]
    judgement = judged(rest, cause_table(), 0)
    assert key not in [one.cause.key for one in judgement.ranked]


def test_a_root_is_named_alone_only_where_something_speaks_against_what_looks_like_it() -> None:
    """Where a bus fell silent, what the kit did tells a dead bus from one that was not recorded."""

    def one(atom: Atom, value: str, role: Role = Role.ANY) -> Evidence:
        return Evidence(atom=atom, value=value, role=role, from_ns=0, to_ns=1)

    silent = [one(Atom.REACH, "bus"), one(Atom.COUNTER, "skipped"), one(Atom.KIT, "stayed_active")]
    told = [judged(found, cause_table(), 0) for found in (silent[:2], silent)]
    assert [len(judgement.first) for judgement in told] == [2, 1]
    assert [judgement.first[0].cause.key for judgement in told] == ["bus_not_recorded"] * 2


def test_what_only_follows_is_no_root() -> None:
    withdrawn = CAUSES["computer_withdrew"]
    judgement = judged(speaks_for(withdrawn), cause_table(), 0)
    assert judgement.decision is Decision.UNDETERMINED


def test_every_atom_is_gathered_and_every_value_has_a_sentence() -> None:
    assert set(GATHER) == set(Atom) == set(VALUES)
    assert set(SENTENCES) == {(atom, value) for atom in Atom for value in VALUES[atom]}
    case = diagnose(DROP, CART).episodes[0].case
    for atom, values in VALUES.items():
        for value in values:
            one = Evidence(
                atom=atom,
                value=value,
                role=Role.KIT,
                subject="X",
                from_ns=0,
                to_ns=0,
                amount=1.0,
                names=("X",),
            )
            text = sentence(one, case)
            assert text.endswith(".")
            assert "{" not in text
            assert "1 frames" not in text
            assert "1 error frames" not in text


@pytest.mark.parametrize(
    ("atom", "value", "said"),
    [
        (Atom.COUNTER, "holes", "1,234 frames did not come: X."),
        (Atom.BUS, "one_disturbed", "1,234 error frames held up the frames of X alone."),
    ],
)
def test_what_was_counted_is_told_exactly(atom: Atom, value: str, said: str) -> None:
    case = diagnose(DROP, CART).episodes[0].case
    one = Evidence(atom=atom, value=value, subject="X", from_ns=0, to_ns=0, amount=1234.0, names=("X",))
    assert sentence(one, case) == said


def test_every_begin_has_a_measurement_that_would_decide_it() -> None:
    assert set(BY_ONSET) == set(OnsetKind)


def test_every_value_is_made_somewhere() -> None:
    """A row that asks for what nobody gathers could never be named."""
    told = [path for path in (TABLE.parent / "facts").glob("*.py") if path.name != "evidence.py"]
    gathering = "".join(path.read_text(encoding="utf-8") for path in told)
    missing = [value for values in VALUES.values() for value in values if f'"{value}"' not in gathering]
    assert missing == []


def test_ties_are_said_on_both_sides_and_nothing_follows_itself() -> None:
    for key, cause in CAUSES.items():
        for tie in cause.ties:
            assert key in [other.cause for other in CAUSES[tie.cause].ties], (key, tie.cause)
        assert key not in cause.follows


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("atom: stop_chain, of: button", "atom: the button, of: button", "is not a source of evidence"),
        ("of: button, is: pressed", "of: somebody, is: pressed", "is not a role"),
        ("of: button, is: pressed", "of: button, is: surely pressed", "is not a value of evidence"),
        ("of: button, is: pressed", "of: button, is: frozen", "`frozen` is not a value of stop_chain"),
        ("weight: excludes}", "weight: a lot}", "a lot"),
        ("cautions: [K1]", "cautions: [K9]", "is not a caution"),
        ("basis: common practice", "basis: hearsay", "is not a basis"),
        ("cause: node_restarted,", "cause: nobody,", "names no cause `nobody`"),
        ("  K8: Test", "  K8x: Test", "No caution K8"),
        ("      - best: [{atom", "      - worst: [{atom", "A group of evidence has no key `worst`"),
    ],
)
def test_a_mistake_in_the_table_names_its_line_and_its_key(
    tmp_path: Path, before: str, after: str, said: str
) -> None:
    path = tmp_path / "causes.yaml"
    path.write_text(TEXT.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(FaultyFileError) as caught:
        read_causes(str(path))
    (fault, *_) = [one for one in caught.value.faults if said in one.text]
    line = TEXT[: TEXT.index(before)].count("\n") + 1
    assert abs(fault.line - line) <= (40 if "caution K8" in said or "nobody" in said else 0)
