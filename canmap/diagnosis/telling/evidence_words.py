"""Evidence in sentences: one for each value of each atom, made of the typed facts and never the other way.

Names are those of the spec; what it does not name is told in general words: no vehicle is like another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import first_of, number, plural, times
from canmap.diagnosis.facts.atoms_of_silence import went_on_undescribed
from canmap.diagnosis.facts.evidence import Atom, Role
from canmap.diagnosis.facts.onset_times import began
from canmap.diagnosis.onsets import OnsetKind
from canmap.diagnosis.telling.amounts import finding_of, shown_amount

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canmap.diagnosis.facts.case_file import CaseFile
    from canmap.diagnosis.facts.evidence import Evidence
    from canmap.diagnosis.onsets import EpisodeSpan

NAMED = 4  # names that a sentence tells
# {subject}, {names}, {counters}, {group}, {apart}, {bus}, {stop}, {amount}, {frames}, {error_frames}, {time},
# {since}, {of_what} and {beside} are filled in.
_SENTENCES_OF: Mapping[Atom, Mapping[str, str]] = {
    Atom.REACH: {
        "one_message": "{subject} fell silent{time}; its node went on.",
        "message_or_node": "{subject} fell silent{time}; nothing else tells whether its node did too.",
        "node": "Every message of {subject} fell silent{time}: {names}.",
        "supply_group": "{group} fell silent{time}: {names}.",
        "bus": "Bus {bus} as a whole fell silent{time}.",
        "everything": "Nothing{of_what} was recorded{time}{beside}.",
        "copy_only": "Only the gateway's copy fell silent{time}: {subject}; the original went on.",
        "lower_priorities": (
            "Every message of lower priority fell silent{time}, while one of higher priority went on."
        ),
        "several_nodes": "Every message of several nodes{apart} fell silent{time}: {names}.",
        "copy_late": "The gateway passed {subject} on late, by up to {amount}.",
        "bus_for_moments": (
            "For moments of up to {amount} nothing of bus {subject} came; what came next was in time."
        ),
        "everything_for_moments": (
            "For moments of up to {amount} nothing{of_what} came{beside}; what came next was in time."
        ),
        "several": "Several messages fell silent together{time}: {names}.",
        "copy_went_on": "The gateway kept passing on {subject}, so the bus itself was alive.",
        "copy_stopped": "The gateway stopped passing on {subject}, so nothing came on the bus itself.",
    },
    Atom.ORDER: {
        "stop_first": "The stop chain changed first.",
        "silence_first": "Something fell silent before the computer took its demands back.",
        "withdrawal_first": "The computer took its demands back before an axis let go.",
        "axis_with_withdrawal": "An axis let go as soon as the computer had taken its demands back.",
        "demand_first": "The last good demand came before the axis let go.",
        "axis_first": "An axis let go first.",
    },
    Atom.COUNTER: {
        "goes_on": "After the silence {counters} went on by one: no frame was built meanwhile.",
        "skipped": "After the silence {counters} had gone on: frames were built but did not come.",
        "anew": "After the silence {counters} began anew.",
        "stands": "The counter of {subject} stood still for {frames}.",
        "leaves_out": (
            "The counter of {subject} left out values in {frames} in a row; each came when it was due."
        ),
        "sent_twice": "{subject} came twice as often as promised, each frame twice with the same content.",
        "two_at_once": "{subject} came twice as often as promised, one frame between two others.",
        "holes": "{frames} did not come: {names}.",
    },
    Atom.PHASE: {
        "kept": "After the silence frames came on the old schedule: the timer had kept running.",
        "restarted": "After the silence frames came on a new schedule: the timer had started anew.",
        "back_to_back": "After the silence frames came back to back: they had been waiting.",
        "no_return": "What fell silent did not come back.",
    },
    Atom.BUS: {
        "clean": "The capture has error frames elsewhere, and none here.",
        "several_disturbed": "{error_frames} held up the frames of several senders.",
        "one_disturbed": "{error_frames} held up the frames of {subject} alone.",
        "bursts": (
            "{error_frames} came in bursts with pauses of different length, and held up several senders."
        ),
        "regular_bursts": (
            "{error_frames} came in bursts with pauses of one length, in which no known node was silent."
        ),
        "errors_only": "{error_frames}, and next to nothing else.",
        "cut_frames": "{error_frames} stood where frames are missing, which were not sent again.",
        "full": "Bus {subject} was loaded to {amount}.",
        "free": "No bus was loaded to more than {amount}.",
    },
    Atom.DEMAND: {
        "on_time": "Every demand came on time and was in order.",
        "missing": "The demand {subject} did not come{time}.",
        "missing_long": "The demand {subject} did not come{time}.",
        "all_missing": "No demand of the computer came: {names}.",
        "bunched": "Later the frames of {subject} came closer together than promised: they had been held up.",
        "counter_refused": "In {frames} the counter of {subject} did not go on by one.",
        "checksum_refused": "{frames} of {subject} had a wrong checksum.",
        "out_of_range": "{subject} was out of its range.",
        "jump_refused": "{subject} jumped further than the kit takes.",
        "withdrawn": "The computer took its demands back{since}: {names}.",
        "enabled_too_early": "{subject}: the enable came before the kit was ready for it.",
    },
    Atom.KIT: {
        "let_go": "Let go: {names}.",
        "overridden": "Overridden by the driver: {names}.",
        "faulted": "Faulted: {names}.",
        "stayed_active": "Stayed active all the time: {names}.",
        "not_concerned": (
            "Stayed active all the time: {names}; nothing of them is on the bus that fell silent."
        ),
        "began_anew": "Came back as if just powered on: {names}.",
        "several_began_anew": "Several nodes came back as if just powered on: {names}.",
        "reported_fault": "The kit reported: {subject}.",
    },
    Atom.STOP_CHAIN: {
        "pressed": "{stop}: pressed.",
        "released": "{stop}: not pressed.",
        "lost": "{stop}: link lost.",
        "there": "{stop}: link there.",
        "open": "{stop}: loop open.",
        "closed": "{stop}: loop closed.",
        "cut": "{stop}: supply cut.",
        "fed": "{stop}: supply on.",
    },
    Atom.SUPPLY: {
        "dipped": "{subject} dipped to {amount}.",
        "steady": "{subject} was steady at {amount} and above.",
    },
    Atom.STRANGERS: {
        "flood": "Identifier {subject} came {amount} times a second.",
    },
    Atom.RECORDER: {
        "stamps_back": "The stamps of the capture step back by {amount}.",
        "recorded_twice": "Frames appear twice in the capture, closer together than a bus can carry them.",
        "to_the_end": "The silence lasts to the end of what was looked at.",
    },
    Atom.PHYSICS: {
        "past_threshold": "{subject} went past the threshold of its override, up to {amount}.",
        "varies": "{subject} varied as it does under a hand, with a standard deviation of {amount}.",
        "follows_acceleration": (
            "{subject} went against the acceleration of the wheel, as inertia does: "
            "they correlate by {amount}."
        ),
        "constant": "{subject} hardly varied, with a standard deviation of {amount}.",
        "apart": "{subject} disagrees with its second sensor.",
        "strains": (
            "The motor drew {amount} ({subject}) while the angle stood still: more than it took to turn."
        ),
        "frozen": "{subject} stood still while what moves it moved.",
        "last_bits_stood": (
            "{subject} was the same to the last bit in {frames} in a row; at rest it never is for so long."
        ),
        "jumped": "{subject} jumped faster than it can move.",
        "at_its_end": "{subject} went beyond its range.",
        "not_followed": "{subject} did not follow its demand.",
        "yaw_shifted": (
            "From here on the yaw rates from the wheels and from the steering angle are {amount} apart."
        ),
        "yaw_scaled": (
            "From here on the yaw rate from the wheels is {amount} times that from the steering angle."
        ),
        "yaw_other_before": (
            "The yaw rates from the wheels and from the steering angle were {amount} apart already "
            "before this."
        ),
        "yaw_not_scaled": (
            "The yaw rates from the wheels and from the steering angle stay in proportion, {amount} to 1."
        ),
        "yaw_one_before": (
            "Before this the yaw rates from the wheels and from the steering angle were {amount} to 1."
        ),
        "yaw_agrees": "The yaw rates from the wheels and from the steering angle still agree.",
    },
    Atom.DESCRIPTION: {
        "message_never_there": "{subject} is nowhere in the capture.",
        "bus_never_there": "No message of bus {subject} is in the capture.",
        "others_came": "Other identifiers came on the channel of bus {subject}, and none of its own.",
        "swapped": "The messages of one bus are on the channel of another.",
        "errors_only": "Bus {subject} has error frames from the first to the last, and nothing else.",
        "value_otherwise": "{subject} is not as described, from the first frame to the last.",
        "pace_otherwise": "{subject} comes at another pace than described, from the first frame on.",
        "copy_off": "{subject} is {amount} off its original, from the first frame on.",
    },
}
SENTENCES = {
    (atom, value): said for atom, of_atom in _SENTENCES_OF.items() for value, said in of_atom.items()
}
OF_ALL = {"everything", "everything_for_moments"}
ONSETS = {
    OnsetKind.LEFT_ACTIVE: "an axis let go",
    OnsetKind.HANDED_BACK: "the computer handed an axis back",
    OnsetKind.SILENT: "messages fell silent",
    OnsetKind.REFUSED: "a demand or a frame was not in order",
    OnsetKind.FRAMES_DOUBTFUL: "frames were lost or damaged",
    OnsetKind.VALUES_DOUBTFUL: "values became doubtful",
    OnsetKind.STAMPS_DOUBTFUL: "the stamps became doubtful",
    OnsetKind.STARTED_ANEW: "a node started anew",
    OnsetKind.FROM_START: "something was not as described from the start",
}


def sentence(one: Evidence, case: CaseFile, *, si: bool = False) -> str:
    """Return what a piece of evidence says, in the names of the spec; figures in its units, or in SI."""
    if (finding := finding_of(one, case)) is not None:
        return finding.told(si=si)  # which tells figure and limit
    amount, count = shown_amount(one, case, si=si), round(one.amount or 0)
    of_what, beside = _of_channels(one, case) if one.value in OF_ALL else ("", "")
    return SENTENCES[one.atom, one.value].format(
        subject=_subject(one, case),
        names=first_of(one.names, NAMED) if one.names else "",
        counters=_counters(one),
        group=_group(one, case) if one.value == "supply_group" else "",
        apart="" if _supply(one, case) else " that share no supply",
        bus=bus_of(one, case),
        stop=one.subject.partition(".")[0],
        amount=amount.removesuffix(" 1/s"),
        frames=times(count, "frame"),
        error_frames=times(count, "error frame"),
        time=_time(one, amount, case),
        since=_since_feedback(one, case) if one.value == "withdrawn" else "",
        of_what=of_what,
        beside=beside,
    )


def _of_channels(one: Evidence, case: CaseFile) -> tuple[str, str]:
    """Of what nothing was recorded, and which channels went on that the spec does not describe."""
    others = went_on_undescribed(one, case)
    if not others:
        return " at all", ""
    described = sorted({bus.channel for bus in case.spec.buses.values()})
    which = f"{_channels(others)}, which the spec does not describe,"
    return f" of {_channels(described)}", f", while {which} went on"


def _channels(names: Sequence[str]) -> str:
    return f"{plural(len(names), 'channel')} {first_of(names, NAMED)}"


def _time(one: Evidence, amount: str, case: CaseFile) -> str:
    """For how long something was silent; it may go on where no frame came until the end of what is known."""
    if not amount or one.atom not in {Atom.REACH, Atom.DEMAND}:
        return ""
    return f" for {amount}{' or longer' if one.to_ns >= case.window.to_ns else ''}"


def _since_feedback(one: Evidence, case: CaseFile) -> str:
    """How long after the last frame of a silent feedback something happened: as long as its watch waits."""
    stamping = {(record.bus, record.stamp) for record in case.spec.records}  # as a report of the axes does
    of_kit = [(case.rules[gap.slot], gap) for gap in case.gaps if case.roles[gap.slot] is Role.KIT]
    reports = [gap for rule, gap in of_kit if (rule.bus, rule.message.name) in stamping]
    last = next(iter([*reports, *(gap for _, gap in of_kit)]), None)
    when = began(one, case)
    if last is None or when.after_ns is None or when.after_ns < last.due_ns:
        return ""
    low, high = (number(round((at_ns - last.last_ns) / 1e6)) for at_ns in (when.after_ns, when.by_ns))
    return f" {low} to {high} ms after the last {case.rules[last.slot].message.name}"


def _subject(one: Evidence, case: CaseFile) -> str:
    """Whom or what it is about; a signal of the driver's with the name that the spec gives its override."""
    for rule in case.spec.manual.overrides:
        if f"{rule.signal.message}.{rule.signal.signal}" == one.subject:
            return f"{one.subject} ({rule.name})"
    return one.subject


def _counters(one: Evidence) -> str:
    return f"the {plural(len(one.names), 'counter')} of {first_of(one.names, NAMED)}" if one.names else ""


def bus_of(one: Evidence, case: CaseFile) -> str:
    """Return the bus that fell silent as a whole; "" where a piece of evidence is about no such thing."""
    if (one.atom, one.value) != (Atom.REACH, "bus"):
        return ""
    buses = dict.fromkeys(rule.bus for rule in case.rules if rule.message.name in one.names)
    return first_of(list(buses), NAMED) if buses else ""


def _group(one: Evidence, case: CaseFile) -> str:
    """Which nodes share a supply, and what cuts it where the spec says so."""
    if not (name := _supply(one, case)):
        return "All nodes of one supply"
    chain = case.spec.manual.stop_chain
    fed = "that the stop chain cuts" if chain and name in chain.cuts else "of one supply"
    return f"All nodes {fed} ({first_of(case.spec.manual.supply_groups[name], NAMED)})"


def _supply(one: Evidence, case: CaseFile) -> str:
    """The supply group that holds all senders of some messages; "" for none."""
    senders = {rule.sender for rule in case.rules if rule.message.name in one.names}
    groups = case.spec.manual.supply_groups.items()
    return next((name for name, nodes in groups if senders <= set(nodes)), "")


def headline(span: EpisodeSpan) -> str:
    """Return what began in an episode, as the end of a sentence."""
    return first_of([ONSETS[kind] for kind in span.kinds], NAMED)
