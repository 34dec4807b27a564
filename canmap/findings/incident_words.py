"""The sentences that say what silences have in common."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canmap.base.words import first_of, listed, plural, seconds, times
from canmap.findings.kinds import MISSING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canmap.findings.finding import Finding

NAMED = 6  # messages that a sentence names


class MessagesOf(NamedTuple):
    """What sentences call the messages that have something in common, such as their sender.

    Attributes:
        every: All of them: "Every message of SteerNode".
        none: None of them: "No message of SteerNode".
    """

    every: str
    none: str


def messages_of(whose: str) -> MessagesOf:
    """Return what the messages of a node or a bus are called: of "SteerNode", of "bus drive"."""
    return MessagesOf(f"Every message of {whose}", f"No message of {whose}")


def fed_by(relay: str) -> MessagesOf:
    """Return what the messages of all nodes are called that a relay feeds."""
    return MessagesOf(f"All that relay {relay} feeds", f"Nothing that relay {relay} feeds")


def messages(parts: Iterable[Finding]) -> list[str]:
    """Return the names of the messages that findings are about, each once."""
    return list(dict.fromkeys(part.place.message or "" for part in parts))


def nothing_recorded(parts: list[Finding], channels: set[str], span_ns: int, step_ns: int | None) -> str:
    """Return what is said where nothing came on some channels; `step_ns`: as if the clock had been set."""
    names = messages(parts)
    where = f"{plural(len(channels), 'channel')} {listed(sorted(channels), 'and')}"
    missing = f"{times(len(names), 'message')}: {first_of(names, NAMED)}"
    if step_ns is not None:
        return (
            f"The stamps of {where} jump forward by {seconds(step_ns)}, and each message goes on as if no "
            f"time had passed: the recorder's clock was set, or nothing was recorded. This affects {missing}."
        )
    return f"Nothing was recorded on {where} for {seconds(span_ns)}; this affects {missing}."


def gateway_copies(copies: Iterable[Finding], of: str) -> str:
    """Return what is said of copies that are silent with their originals."""
    return f"{first_of(messages(copies), NAMED)}, which a gateway makes of {of}, fell silent with {of}."


def fell_silent(who: MessagesOf, parts: list[Finding], span_ns: int) -> str:
    """Return what all have in common, until the first is back; who is not back by the end is named.

    Args:
        who: What they are called.
        parts: The silences; one may stand for several, as short as they are.
        span_ns: For how long all of them were silent, at most.
    """
    still = [part for part in parts if part.open]
    never = parts[0].kind == MISSING
    often = {part.count for part in parts}
    if never and len(still) == len(parts):
        return f"{who.none} came: {first_of(messages(parts), NAMED)}."
    if often != {1} and not never:
        number = times(max(often), "time") if len(often) == 1 else "again and again"
        what = f"was silent {number}, for up to {seconds(span_ns)}"
        what += ", and did not come back" if len(still) == len(parts) else ""
    elif len(still) == len(parts):
        what = "fell silent and did not come back"
    else:
        what = f"came late, after {seconds(span_ns)}" if never else f"was silent for {seconds(span_ns)}"
    left = "never came" if never else "did not come back"
    more = f" {first_of(messages(still), NAMED)} {left}." if 0 < len(still) < len(parts) else ""
    return f"{who.every} {what}: {first_of(messages(parts), NAMED)}.{more}"


def went_on(channels: Sequence[str], copies: Sequence[str], stepped: bool) -> str:
    """Return what is said of channels that had frames while others had none; "" where there are none.

    Args:
        channels: Their names.
        copies: Messages on them that a gateway makes of what fell silent, and that came all the time.
        stepped: The clock of a recorder that only the silent channels have may have been set.
    """
    if not channels:
        return ""
    who = f" {plural(len(channels), 'Channel')} {listed(channels, 'and')} went on"
    if copies:
        passed_on = f"{listed(copies, 'and')}, which a gateway makes of them"
        return f"{who}, with {passed_on}: only their recording stopped."
    also = ", or the clock of a recorder of its own was set" if stepped else ""
    return f"{who}: either nothing got through on the bus, or only its recording stopped{also}."
