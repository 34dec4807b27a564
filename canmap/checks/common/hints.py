"""What the samples of a whole session tell of why something is off: it is known only at the end."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.findings.finding import Facts, Finding, Place


def with_hint(findings: Sequence[Finding], place: Place, hint: str, facts: Facts) -> list[Finding]:
    """Return the findings, the first about a place with one more sentence, and what that says by name."""
    first = min((one for one in findings if one.place == place), key=lambda one: one.start_ns, default=None)
    if first is None:
        return list(findings)
    told = first.with_sentence(hint)
    hinted = replace(told, facts={**first.facts, **facts}, says_what_to_correct=True)
    return [hinted if one is first else one for one in findings]
