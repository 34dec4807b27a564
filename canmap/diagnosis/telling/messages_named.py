"""What the messages are that a page names: who sends them, how often, and what records are made of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import first_of, seconds
from canmap.diagnosis.telling.evidence_words import NAMED, SENTENCES
from canmap.diagnosis.telling.page_lines import PageLine, Style

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.mapping.model import MessageRule

MOST_DESCRIBED = 8  # messages of which it is said


def names_in(evidence: Sequence[Evidence]) -> Iterator[str]:
    """Yield the names that sentences of evidence tell, of a signal that of its message."""
    for one in evidence:
        listed = "{names}" in SENTENCES[one.atom, one.value] or "{counters}" in SENTENCES[one.atom, one.value]
        for name in (one.subject, *one.names[: NAMED if listed else 0]):
            yield name.partition(".")[0]


def messages_named(names: Collection[str], case: CaseFile) -> Iterator[PageLine]:
    """Yield what is said of the messages among some names, those first of which records are made."""
    rules = [rule for rule in case.rules if rule.message.name in names]
    rules.sort(key=lambda rule: not _records(rule, case))
    if not rules:
        return
    yield PageLine("")
    yield PageLine("Messages named above, and the records that they give", style=Style.HEADING)
    widest = max(len(rule.message.name) for rule in rules[:MOST_DESCRIBED])
    for rule in rules[:MOST_DESCRIBED]:
        yield PageLine(_about(rule, case), 2, label=f"{rule.message.name:{widest}}  ")
    if len(rules) > MOST_DESCRIBED:
        more = [rule.message.name for rule in rules[MOST_DESCRIBED:]]
        yield PageLine(f"and {first_of(more, MOST_DESCRIBED)}", 2)


def _about(rule: MessageRule, case: CaseFile) -> str:
    sender = f"from {rule.sender}" if rule.sender else "of unknown sender"
    on = f" on bus {rule.bus}" if len(case.spec.buses) > 1 else ""
    every = f", every {seconds(rule.period_ns)}" if rule.period_ns else ""
    of = rule.relay_of
    copy = f"; the gateway's copy of {of.message.message}" if of else ""
    records = _records(rule, case)
    gives = f": {first_of(records, NAMED)}" if records else ""
    return f"{sender}{on}{every}{copy}{gives}"


def _records(rule: MessageRule, case: CaseFile) -> list[str]:
    """The records with a field that a message gives."""
    own = rule.bus, rule.message.name
    return [
        record.name
        for record in case.spec.records
        if not record.derived
        and any((ref.bus, ref.message) == own for field in record.fields for ref in field.sources)
    ]
