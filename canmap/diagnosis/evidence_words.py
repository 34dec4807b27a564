"""Evidence in sentences: one for each value of each atom, made of the typed facts and never the other way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import first_of, number, seconds
from canmap.diagnosis.evidence import Atom, Evidence, Role
from canmap.diagnosis.onsets import OnsetKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.diagnosis.onsets import EpisodeSpan

NAMED = 4  # names that a sentence tells
WHOSE = {
    Role.COMPUTER: "of the computer",
    Role.KIT: "of the kit",
    Role.OTHER: "of another node",
    Role.COPY: "of the gateway",
}
# {subject}, {names}, {whose}, {amount} and {time} are filled in.
SENTENCES: Mapping[tuple[Atom, str], str] = {
    (Atom.REACH, "one_message"): "{subject} fell silent{time}; its node went on.",
    (
        Atom.REACH,
        "message_or_node",
    ): "{subject} fell silent{time}; nothing else tells whether its node did too.",
    (Atom.REACH, "node"): "Every message of {subject} fell silent{time}: {names}.",
    (Atom.REACH, "supply_group"): "All that the stop relay feeds fell silent{time}: {names}.",
    (Atom.REACH, "bus"): "One bus as a whole fell silent{time}.",
    (Atom.REACH, "everything"): "Nothing at all was recorded{time}.",
    (Atom.REACH, "copy_only"): "Only the gateway's copy fell silent{time}: {subject}; the original went on.",
    (Atom.REACH, "lower_priorities"): "All of lower priority fell silent{time}, while a higher one went on.",
    (
        Atom.REACH,
        "several_nodes",
    ): "Every message of several nodes that no relay feeds together fell silent{time}: {names}.",
    (Atom.REACH, "copy_late"): "The gateway passed {subject} on up to {amount} s late.",
    (Atom.REACH, "several"): "Some messages fell silent{time} that share neither node nor relay: {names}.",
    (Atom.ORDER, "stop_first"): "The stop chain changed first.",
    (
        Atom.ORDER,
        "silence_first",
    ): "Feedback of the kit fell silent before the computer took its demand back.",
    (Atom.ORDER, "withdrawal_first"): "The computer took its demand back before an axis let go.",
    (Atom.ORDER, "demand_first"): "The last good demand came before the axis let go.",
    (Atom.ORDER, "axis_first"): "An axis let go first.",
    (
        Atom.COUNTER,
        "goes_on",
    ): "After the silence the counters {whose} went on by one: nothing was built meanwhile.",
    (
        Atom.COUNTER,
        "skipped",
    ): "The counters {whose} went on during the silence: frames were built and did not come.",
    (Atom.COUNTER, "anew"): "After the silence the counters {whose} began anew.",
    (Atom.COUNTER, "stands"): "The counter of {subject} stood still for {amount} frames.",
    (
        Atom.REACH,
        "copy_went_on",
    ): "The gateway went on passing on {subject}, so the bus itself was alive.",
    (
        Atom.REACH,
        "copy_stopped",
    ): "The gateway passed on {subject} no more, so nothing came on the bus itself.",
    (
        Atom.COUNTER,
        "sent_twice",
    ): "{subject} came twice as often as promised, each frame twice with the same content.",
    (Atom.COUNTER, "two_at_once"): "{subject} came twice as often as promised, one frame between two others.",
    (Atom.COUNTER, "holes"): "Counters tell that {amount} frames are missing, here and there: {names}.",
    (Atom.PHASE, "kept"): "After the silence the frames came in the old beat: the timer had gone on.",
    (Atom.PHASE, "restarted"): "After the silence the frames came in a new beat: the timer had started anew.",
    (Atom.PHASE, "back_to_back"): "After the silence the frames came back to back: they had been waiting.",
    (Atom.PHASE, "no_return"): "What fell silent did not come back.",
    (Atom.BUS, "clean"): "The capture has error frames elsewhere, and none here.",
    (Atom.BUS, "several_disturbed"): "{amount} error frames held up the frames of several senders.",
    (Atom.BUS, "one_disturbed"): "{amount} error frames held up the frames of {subject} alone.",
    (
        Atom.BUS,
        "bursts",
    ): "{amount} error frames came in bursts with pauses of different length, and held up several senders.",
    (
        Atom.BUS,
        "regular_bursts",
    ): "{amount} error frames came in bursts with pauses of one length, in which no known node was silent.",
    (Atom.BUS, "errors_only"): "{amount} error frames, and next to nothing else.",
    (Atom.BUS, "full"): "The bus {subject} was {amount} % full.",
    (Atom.BUS, "free"): "No bus was more than {amount} % full.",
    (Atom.DEMAND, "on_time"): "Every demand came on time and was in order.",
    (Atom.DEMAND, "missing"): "The demand {subject} did not come{time}.",
    (Atom.DEMAND, "missing_long"): "The demand {subject} did not come{time}.",
    (Atom.DEMAND, "all_missing"): "No demand of the computer came: {names}.",
    (
        Atom.DEMAND,
        "bunched",
    ): "Later the frames of {subject} came closer together than promised: they had been held up.",
    (Atom.DEMAND, "counter_refused"): "{amount} frames of {subject} repeated their counter.",
    (Atom.DEMAND, "checksum_refused"): "{amount} frames of {subject} had a wrong checksum.",
    (Atom.DEMAND, "out_of_range"): "{subject} was out of its range: {amount}.",
    (Atom.DEMAND, "jump_refused"): "{subject} jumped by {amount}, more than the kit takes.",
    (Atom.DEMAND, "withdrawn"): "The computer took its demand back: {names}.",
    (Atom.DEMAND, "enabled_too_early"): "{subject}: the enable came before the kit was ready for it.",
    (Atom.KIT, "let_go"): "Let go: {names}.",
    (Atom.KIT, "overridden"): "Overridden by the driver: {names}.",
    (Atom.KIT, "faulted"): "Faulted: {names}.",
    (Atom.KIT, "stayed_active"): "Stayed active all the time: {names}.",
    (Atom.KIT, "began_anew"): "Came back as after power-on: {names}.",
    (Atom.KIT, "several_began_anew"): "Several nodes came back as after power-on: {names}.",
    (Atom.KIT, "reported_fault"): "The kit reported: {subject}.",
    (Atom.STOP_CHAIN, "pressed"): "{subject}: pressed.",
    (Atom.STOP_CHAIN, "released"): "{subject}: not pressed.",
    (Atom.STOP_CHAIN, "lost"): "{subject}: link lost.",
    (Atom.STOP_CHAIN, "there"): "{subject}: link there.",
    (Atom.STOP_CHAIN, "open"): "{subject}: stop loop open.",
    (Atom.STOP_CHAIN, "closed"): "{subject}: stop loop closed.",
    (Atom.STOP_CHAIN, "cut"): "{subject}: supply of the kit cut.",
    (Atom.STOP_CHAIN, "fed"): "{subject}: supply of the kit on.",
    (Atom.SUPPLY, "dipped"): "{subject} dipped to {amount} V.",
    (Atom.SUPPLY, "steady"): "{subject} was steady.",
    (Atom.STRANGERS, "flood"): "Identifier {subject} came {amount} times a second.",
    (Atom.RECORDER, "stamps_back"): "The stamps of the capture step back.",
    (
        Atom.RECORDER,
        "recorded_twice",
    ): "{amount} frames stand twice in the capture, closer than a bus can carry them.",
    (Atom.RECORDER, "to_the_end"): "The silence lasts to the end of what was looked at.",
    (Atom.PHYSICS, "past_threshold"): "{subject} went past the threshold of an override, up to {amount}.",
    (Atom.PHYSICS, "varies"): "{subject} varied as under a hand; its standard deviation was {amount}.",
    (Atom.PHYSICS, "constant"): "{subject} hardly varied; its standard deviation was {amount}.",
    (Atom.PHYSICS, "apart"): "{subject} disagrees with its second sensor.",
    (Atom.PHYSICS, "frozen"): "{subject} stood still while what moves it moved.",
    (Atom.PHYSICS, "jumped"): "{subject} jumped faster than it can move.",
    (Atom.PHYSICS, "at_its_end"): "{subject} went beyond its range: {amount}.",
    (Atom.PHYSICS, "not_followed"): "{subject} did not follow its demand.",
    (
        Atom.PHYSICS,
        "yaw_shifted",
    ): "From here on, wheels and steering angle tell yaw rates that are {amount} rad/s apart.",
    (
        Atom.PHYSICS,
        "yaw_scaled",
    ): "From here on, the wheels tell {amount} times the yaw rate of the steering angle.",
    (
        Atom.PHYSICS,
        "yaw_other_before",
    ): "Before this already, wheels and steering angle told yaw rates {amount} rad/s apart.",
    (
        Atom.PHYSICS,
        "yaw_not_scaled",
    ): "Wheels and steering angle go on turning in the same measure, {amount} to one.",
    (
        Atom.PHYSICS,
        "yaw_one_before",
    ): "Before this, wheels and steering angle turned in the same measure, {amount} to one.",
    (Atom.PHYSICS, "yaw_agrees"): "Wheels and steering angle go on telling the same yaw rate.",
    (Atom.DESCRIPTION, "message_never_there"): "{subject} is not once in the capture.",
    (Atom.DESCRIPTION, "bus_never_there"): "No message of bus {subject} is in the capture.",
    (Atom.DESCRIPTION, "swapped"): "The messages of one bus are on the channel of another.",
    (
        Atom.DESCRIPTION,
        "errors_only",
    ): "Bus {subject} has error frames from the first to the last, and nothing else.",
    (Atom.DESCRIPTION, "value_otherwise"): "{subject} is not as described, from the first frame to the last.",
    (
        Atom.DESCRIPTION,
        "pace_otherwise",
    ): "{subject} comes at another pace than described, from the first frame on.",
    (Atom.DESCRIPTION, "copy_off"): "{subject} is {amount} s off its original, from the first frame on.",
}
ONSETS = {
    OnsetKind.LEFT_ACTIVE: "an axis let go",
    OnsetKind.SILENT: "messages fell silent",
    OnsetKind.REFUSED: "a demand or a frame was not in order",
    OnsetKind.FRAMES_DOUBTFUL: "frames got lost or damaged",
    OnsetKind.VALUES_DOUBTFUL: "values became doubtful",
    OnsetKind.STAMPS_DOUBTFUL: "the stamps became doubtful",
    OnsetKind.STARTED_ANEW: "a node started anew",
    OnsetKind.FROM_START: "something was not as described from the start",
}


def sentence(one: Evidence) -> str:
    """Return what a piece of evidence says."""
    amount = "" if one.amount is None else number(float(f"{one.amount:.3g}"))
    time = ""
    if one.amount is not None and one.atom in {Atom.REACH, Atom.DEMAND}:
        open_ = one.atom is Atom.REACH or one.value.startswith("missing")
        time = f" for {seconds(round(one.amount, 3) * 1e9)}" if open_ else ""
    return SENTENCES[one.atom, one.value].format(
        subject=one.subject,
        names=first_of(one.names, NAMED) if one.names else "",
        whose=WHOSE.get(one.role, "of all senders"),
        amount=amount,
        time=time,
    )


def headline(span: EpisodeSpan) -> str:
    """Return what began in an episode, as the end of a sentence."""
    return first_of([ONSETS[kind] for kind in span.kinds], NAMED)
