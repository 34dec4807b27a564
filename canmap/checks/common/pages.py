"""How a finding names the page of the manual that it rests on: in its sentence, and among its facts."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


def on_page(text: str, page: str) -> str:
    """Return a sentence, without its full stop, with the page of the manual, where the spec names it."""
    return f"{text} (page {page} of the manual)" if page else text


def paged(facts: Mapping[str, str | float], page: str) -> dict[str, str | float]:
    """Return facts with the page of the manual, where the spec names it."""
    return {**facts, "page": page} if page else dict(facts)
