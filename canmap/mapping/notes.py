"""What the user should know about a spec, as data: a reason and its fields, of which a sentence is made last.

Who needs to know what a note is about asks its reason and its fields, never its sentence.
"""

from __future__ import annotations

from enum import StrEnum

from canmap.base.dataclass import dataclass
from canmap.base.errors import readable
from canmap.base.words import listed, times


class NoteReason(StrEnum):
    """Why there is a note."""

    NEVER_EXPECTED = "never_expected"
    LOSS_NOT_TOLD = "loss_not_told"
    HELD_FOR_EVER = "held_for_ever"
    NOTHING_PROMISED = "nothing_promised"
    NO_RATE_PROMISED = "no_rate_promised"
    NO_HEARTBEAT = "no_heartbeat"
    IN_PACKETS = "in_packets"
    NO_STATE_MACHINE = "no_state_machine"
    NO_MACHINE_OVERRIDDEN = "no_machine_overridden"
    NOT_VERIFIED_ON = "not_verified_on"
    CORRECTED = "corrected"  # in `keys`
    CORRECTED_IN_VAIN = "corrected_in_vain"
    REPAIRED = "repaired"
    MORE_REPAIRS = "more_repairs"
    NOT_READ = "not_read"


_SENTENCES = {
    NoteReason.NEVER_EXPECTED: (
        "{subject} was not checked, because it was never expected: its conditions were never met."
    ),
    NoteReason.LOSS_NOT_TOLD: (
        "Whether frames of {subject} were lost is not told: there is no counter, and {detail}."
    ),
    NoteReason.HELD_FOR_EVER: (
        "No period is known for {subject}, so records hold what came for ever: write `max_age`, "
        "`period` or `heartbeat`."
    ),
    NoteReason.NOTHING_PROMISED: (
        "No period is known for {subject}{where}, so silence and rate are not checked: write `period` or "
        "`trigger` under `messages`."
    ),
    NoteReason.NO_RATE_PROMISED: "No period is known for {subject}{where}: the rate is not checked.",
    NoteReason.NO_HEARTBEAT: "{subject}{where} {detail} and has no heartbeat: its silence is not checked.",
    NoteReason.IN_PACKETS: (
        "{subject}{where} comes in packets where it tells several codes: the silence and rate of its single "
        "frames are only checked with a `period` in the spec."
    ),
    NoteReason.NO_STATE_MACHINE: (
        "The watchdog of {subject}{where} is not checked: its `state_machine` is not named."
    ),
    NoteReason.NO_MACHINE_OVERRIDDEN: (
        "The override {subject}{where} is not checked: no state machine has `overridden` states."
    ),
    NoteReason.NOT_VERIFIED_ON: (
        "The spec was verified on another description of bus {subject} ({place}): this one has {detail}."
    ),
    NoteReason.CORRECTED: "The description of {subject} ({place}) is corrected in {keys}: {detail}.",
    NoteReason.CORRECTED_IN_VAIN: (
        "The correction of {subject} ({place}) changes nothing: the description says the same."
    ),
    NoteReason.REPAIRED: "{at}: {detail}",
    NoteReason.MORE_REPAIRS: "{file}: {more}.",
    NoteReason.NOT_READ: "Signals of {subject} in {file} are not read: {detail}.",
}
# Their sentences hold of several messages too.
OF_MANY = frozenset({NoteReason.HELD_FOR_EVER, NoteReason.NOTHING_PROMISED, NoteReason.NO_RATE_PROMISED})
# Of these a description gives words, which may hold anything.
_FROM_DESCRIPTION = {NoteReason.REPAIRED, NoteReason.NOT_READ}


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something the user should know about the spec; what does not apply is empty, 0 or None.

    Attributes:
        reason: Why it is reported.
        bus: The bus it is about, None for none.
        message: The message it is about, None for none.
        subject: What the sentence calls what it is about: a message, a signal, a field.
        keys: The keys of the spec it is about.
        detail: What else the sentence says, in words; for a correction its reason.
        line: Line of the file.
        file: The file, where it is not that of the spec: a fragment, or a description.
        count: How many, where one note stands for several.
    """

    reason: NoteReason
    bus: str | None = None
    message: str | None = None
    subject: str = ""
    keys: tuple[str, ...] = ()
    detail: str = ""
    line: int = 0
    file: str = ""
    count: int = 1

    @property
    def facts(self) -> dict[str, str | int | tuple[str, ...]]:
        """What of it applies, by name."""
        held: dict[str, str | int | tuple[str, ...]] = {
            "reason": self.reason.value,
            "subject": self.subject,
            "keys": self.keys,
            "detail": self.detail,
            "line": self.line,
            "file": self.file,
        }
        return {name: value for name, value in held.items() if value}

    @property
    def text(self) -> str:
        """One sentence, with its place."""
        place = f"line {self.line}" + (f" of {self.file}" if self.file else "")
        text = _SENTENCES[self.reason].format(
            subject=self.subject,
            keys=listed(self.keys or ("nothing",), "and"),
            detail=self.detail,
            place=place,
            where=f" ({place})" if self.line else "",
            file=self.file,
            at=f"{self.file}:{self.line}" if self.line else self.file,
            more=times(self.count, "more repair"),
        )
        return readable(text) if self.reason in _FROM_DESCRIPTION else text


def text_of_many(reason: NoteReason, subjects: str) -> str:
    """Return one sentence for several notes of a reason that is in `OF_MANY`, without their places."""
    return Note(reason=reason, subject=subjects).text
