"""A field that is a choice: which raw code of its signal means which state, yes or no, or number."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from canmap.base.words import listed
from canmap.mapping.reading import field_grammar as g
from canmap.mapping.reading.marks import Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.raw_codes import labels_remedy, raw_codes
from canmap.mapping.reading.sections import mapping, scalar
from canmap.mapping.reading.shapes import as_integer

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.description.description import NoData
    from canmap.mapping.reading.marks import Entries, Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.vocabulary.record_types import FieldType


def choice_codes(
    field: FieldType,
    values: SectionValues,
    source: FoundSignal,
    no_data: tuple[NoData, ...],
    context: Context,
) -> Mapping[int, int] | None:
    """Return raw code -> value of the field; None for a number that is its own code, or after a fault."""
    members = _members(field.kind)
    labels = values.get(g.FIELD_LABELS)
    if values.has(g.NORMALLY_CLOSED) and field.kind is not bool:
        context.faults.add(
            values.place_of(g.NORMALLY_CLOSED), f"{field.name} is not a yes or no, so it cannot be inverted."
        )
    whole = source.signal.factor.denominator == source.signal.offset.denominator == 1
    if source.signal.is_float or (field.kind is int and labels is None and not whole):
        text = f"{source.text} has no whole numbers, so it cannot be a choice."
        context.faults.add(values.place_of(g.SIGNAL), text)
        return None
    if labels is not None:
        codes = _written(labels, source, members, context)
    elif field.kind is int:
        return None
    else:
        codes = _described(field, source, no_data)
        if codes is None:
            _ask_for_labels(field, values, source, no_data, context)
    if codes is not None and values.get(g.NORMALLY_CLOSED):
        codes = {raw: 1 - value for raw, value in codes.items()}
    if codes:
        codes = {raw: value for raw, value in codes.items() if not _is_no_data(raw, no_data)}
    return codes


def _is_no_data(raw: int, no_data: tuple[NoData, ...]) -> bool:
    return any(span.low <= raw <= span.high for span in no_data)


def _members(kind: type) -> dict[str, int] | None:
    """Return the words for the values of a choice; None where they are numbers."""
    if kind is bool:
        return {"no": 0, "yes": 1, "false": 0, "true": 1}
    if issubclass(kind, IntEnum):
        return {member.name.lower(): int(member) for member in kind}
    return None


def _written(
    labels: Node, source: FoundSignal, members: dict[str, int] | None, context: Context
) -> dict[int, int] | None:
    """Read {label or raw code: word}."""
    entries = mapping(labels, context, "the list of labels")
    if entries and _is_turned_round(entries, source, members):
        context.faults.add(labels.place, "The list of labels is the wrong way round: write `label: state`.")
        return None
    codes: dict[int, int] = {}
    for code, node in entries.pairs.values() if entries else ():
        raws = raw_codes(code, source, context)
        value = _value(node, members, context)
        for raw in raws or ():
            if raw in codes:
                context.faults.add(code.place, f"The raw code {raw} of {source.text} is given twice.")
            elif value is not None:
                codes[raw] = value
    if entries and not entries.pairs:
        context.faults.add(labels.place, "The list of labels is empty.")
    return codes or None


def _is_turned_round(entries: Entries, source: FoundSignal, members: dict[str, int] | None) -> bool:
    """Whether states stand where labels belong, and labels where states do."""
    described = set(source.signal.labels.values())
    states = {code.text for code, _ in entries.pairs.values()}
    labels = {node.text for _, node in entries.pairs.values() if isinstance(node, Scalar)}
    return bool(
        states and members and states <= set(members) - described and labels <= described - set(members)
    )


def _value(node: Node, members: dict[str, int] | None, context: Context) -> int | None:
    word = scalar(node, context, "a state")
    if word is None:
        return None
    value = as_integer(word.text) if members is None else members.get(word.text)
    if value is None:
        hint = context.faults.hint(word.text, members) if members else ": write a whole number."
        context.faults.add(word.place, f"{shown(word.text)} is not a value of this field{hint}")
    return value


def _described(field: FieldType, source: FoundSignal, no_data: tuple[NoData, ...]) -> dict[int, int] | None:
    """Take the labels of the description where all are the field's words, else the codes of one bit."""
    words = _live_words(source, no_data)
    members = _members(field.kind) or {}
    if words and set(words.values()) <= set(members):
        return {raw: members[word] for raw, word in words.items()}
    if field.kind is bool and source.signal.bits == 1:
        return {0: 0, sum(source.raw_range): 1}  # a signed bit is 0 or -1
    return None


def _live_words(source: FoundSignal, no_data: tuple[NoData, ...]) -> dict[int, str]:
    """Return the labels that mean data, written as a spec writes its words."""
    return {
        raw: "_".join(label.lower().replace("-", " ").split())
        for raw, label in source.signal.labels.items()
        if not _is_no_data(raw, no_data)
    }


def _ask_for_labels(
    field: FieldType,
    values: SectionValues,
    source: FoundSignal,
    no_data: tuple[NoData, ...],
    context: Context,
) -> None:
    members = _members(field.kind) or {}
    wrong = [raw for raw, word in _live_words(source, no_data).items() if word not in members]
    why = (
        f"its label {shown(source.signal.labels[wrong[0]])} is not one of them"
        if wrong
        else "it has no labels"
    )
    words = listed(dict.fromkeys(members))
    remedy = "write `labels:`"
    if source.signal.labels_unread and not source.signal.labels:
        why, remedy = "its labels are not read", f"write `labels:`, or {labels_remedy(source)}"
    text = f"{field.name} is {words}, and {source.text} does not say which ({why}): {remedy}."
    context.faults.add(values.place_of(g.SIGNAL), text)
