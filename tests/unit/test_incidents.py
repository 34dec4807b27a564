"""Silences that begin together are one finding that says what they have in common; nobody else is accused.

The worked examples are small: five messages of three nodes, whose periods and gaps are plain to see.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, row, serious, span_ms, spec_of, told
from tests.streams import MS, START_NS, frames, inspected
from tests.streams import spec_of as spec_at

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

PERIODS = {0x10: 10, 0x20: 20, 0x30: 50, 0x40: 100, 0x50: 20}  # ms, by identifier
SENDERS = {0x10: "Wheel", 0x20: "Wheel", 0x30: "Brake", 0x40: "Brake", 0x50: "Host"}
NAMES = {0x10: "Angle", 0x20: "Torque", 0x30: "Pressure", 0x40: "Pads", 0x50: "Command"}
MESSAGES = "".join(
    f'BO_ {can_id} {name}: 8 {SENDERS[can_id]}\n SG_ V{can_id} : 0|16@1+ (1,0) [0|0] "" Other\n'
    for can_id, name in NAMES.items()
)
GROUP = "supply_groups: {kit: [Wheel, Brake]}\n"
NODES = "nodes: {Brake: {hold_up: 120 ms}}\n"


@pytest.fixture
def kit(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, MESSAGES, GROUP, periods_ms=PERIODS)


def drive(is_there: Callable[[int, int], bool], until_ms: int = 3000, step_ms: int = 0) -> FrameChunk:
    """The frames at their periods for which `is_there` holds; the stamps step at 1 s."""
    rows = [
        (t_ms + (step_ms if t_ms > 1000 else 0), can_id)
        for can_id, period_ms in PERIODS.items()
        for t_ms in range(can_id % 7, until_ms, period_ms)
        if is_there(can_id, t_ms)
    ]
    return frames([row(t_ms, can_id) for t_ms, can_id in sorted(rows)])


def away(t_ms: int) -> bool:
    return 1000 < t_ms <= 1500


def parts(finding) -> set[str]:
    return {part.place.message for part in finding.parts}


def test_a_node_that_is_away_is_one_finding_by_its_name(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, t: not (SENDERS[can_id] == "Wheel" and away(t)))], kit)
    (finding,) = serious(result)
    assert finding.text == "Every message of Wheel was silent for 510 ms: Angle and Torque."
    assert (finding.kind, finding.severity, parts(finding)) == ("stale", "error", {"Angle", "Torque"})
    # Angle came at 2, 12, ... 992 ms and again at 1502; Torque at 4, 24, ... 984 and again at 1504.
    assert span_ms(result, finding) == (991, 1501)  # the session begins at 1 ms


@pytest.mark.parametrize(("back_ms", "end"), [(2600, ""), (9000, ", and did not come back")])
def test_a_node_that_comes_and_goes_is_silent_no_longer_than_at_once(
    kit: Spec, back_ms: int, end: str
) -> None:
    """It is away from 1000 ms on, but for 20 ms in 400, too few frames to be well again."""

    def there(can_id: int, t_ms: int) -> bool:
        comes = t_ms <= 1000 or t_ms > back_ms or (1400 < t_ms <= 2600 and (t_ms - 1000) % 400 < 20)
        return SENDERS[can_id] != "Wheel" or comes

    result, _ = inspected([drive(there)], kit)
    (finding,) = serious(result)
    longest = f"for up to {finding.value * 1000:g} ms{end}"
    assert finding.text == f"Every message of Wheel was silent 4 times, {longest}: Angle and Torque."
    assert finding.value == finding.facts["silent_s"] == max(part.value for part in finding.parts)
    assert finding.value < 0.8  # and not the 1.6 s or more from its begin to its end


def test_a_supply_group_that_is_cut_is_one_finding(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, t: SENDERS[can_id] == "Host" or not away(t))], kit)
    (finding,) = serious(result)
    assert finding.text.startswith("All that relay kit feeds was silent for")
    assert parts(finding) == {"Angle", "Torque", "Pressure", "Pads"}


@pytest.mark.parametrize(
    ("until_ms", "declared", "is_one"), [(1040, "", True), (1100, "", False), (1100, NODES, True)]
)
def test_nodes_of_a_group_live_on_for_a_while_each_for_its_own(
    tmp_path: Path, until_ms: int, declared: str, is_one: bool
) -> None:
    """Angle came last at 992 ms and was due at 1004.5; Pressure came until 1006 or 1056 ms."""
    kit = spec_of(tmp_path, MESSAGES, GROUP + declared, periods_ms=PERIODS)
    ends = {"Host": 9999, "Wheel": 1000, "Brake": until_ms}
    result, _ = inspected([drive(lambda can_id, t: t <= ends[SENDERS[can_id]])], kit)
    told_of = [finding.text.split(" fell")[0] for finding in serious(result)]
    assert (told_of == ["All that relay kit feeds"]) is is_one


def test_silences_that_have_no_moment_in_common_are_not_of_one_bus(kit: Spec) -> None:
    """Brake and wheel may have lost their supply at once; the command came back before the wheel fell."""
    spans = {"Pads": (905, 1300), "Command": (905, 1010), "Angle": (1035, 1300)}

    def came(can_id: int, t_ms: int) -> bool:
        from_ms, to_ms = spans.get(NAMES[can_id], (0, 0))
        return not from_ms < t_ms <= to_ms

    result, _ = inspected([drive(came)], kit)
    texts = [finding.text for finding in serious(result)]
    assert sorted(text.split()[0] for text in texts) == ["Angle", "Command", "Pads"], texts


def test_a_bus_of_which_nothing_goes_on_is_one_finding(kit: Spec) -> None:
    """As where a second capture is of another vehicle: the channel goes on, with other identifiers."""
    times = sorted((t, can_id) for can_id, period in PERIODS.items() for t in range(can_id % 7, 3000, period))
    rows = [row(t_ms, can_id if t_ms <= 1500 else can_id + 0x400) for t_ms, can_id in times]
    result, _ = inspected([frames(rows)], kit)
    (finding,) = serious(result)
    never_again = "Every message of bus drive fell silent and did not come back: "
    assert finding.text == f"{never_again}Angle, Torque, Pressure, Pads and Command."
    assert parts(finding) == set(NAMES.values())


def test_a_group_is_silent_until_the_first_of_it_is_back(kit: Spec) -> None:
    """Angle and Torque of the wheel's node are back at 1502 and 1704 ms; the pads never come back."""
    back = {0x10: 1500, 0x20: 1700, 0x30: 1700, 0x40: 9999}
    result, _ = inspected([drive(lambda can_id, t: not 1000 < t <= back.get(can_id, 0))], kit)
    (finding,) = serious(result)
    # The last frame before came at 1000 ms (Pressure, of 50 ms: 6, 56, ... 956; Pads: 1, 101, ... 901).
    assert finding.text == (
        "All that relay kit feeds was silent for 510 ms: Angle, Torque, Pressure and Pads. "
        "Pads did not come back."
    )
    assert finding.open


def test_what_does_not_come_back_goes_on(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, t: SENDERS[can_id] == "Host" or t <= 1000)], kit)
    (finding,) = serious(result)
    assert finding.open
    assert "fell silent and did not come back" in finding.text


def test_a_channel_on_which_nothing_came_accuses_no_node(kit: Spec) -> None:
    # 537 ms are no whole number of periods, so no step of the clock explains them.
    result, _ = inspected([drive(lambda _, t: not 1000 < t <= 1537)], kit)
    (finding,) = serious(result)
    assert finding.kind == "recording_gap"
    assert "Nothing was recorded on channel can0" in finding.text
    assert finding.severity == "error"  # the only channel: the bus may have been dead as well
    assert parts(finding) == set(NAMES.values())


@pytest.mark.parametrize(
    ("was_set", "said"),
    [(True, "The stamps of channel can0 jump forward by 500 ms, and"), (False, "Nothing was recorded on")],
)
def test_a_counter_tells_a_clock_that_was_set_from_a_recorder_that_was_away(
    tmp_path: Path, was_set: bool, said: str
) -> None:
    """All messages go on after 500 ms, whole periods of all; only the counter tells whether they passed."""
    spec = spec_of(tmp_path, MESSAGES, "messages: {Angle: {counter: {signal: V16}}}\n", periods_ms=PERIODS)
    sent = [
        (t_ms, can_id, number)
        for can_id, period_ms in PERIODS.items()
        for number, t_ms in enumerate(range(can_id % 7, 3000, period_ms))
    ]
    recorded = [
        row(t_ms + 500 * (was_set and t_ms > 1000), can_id, number.to_bytes(2, "little") + bytes(6))
        for t_ms, can_id, number in sorted(sent)
        if was_set or not away(t_ms)
    ]
    result, _ = inspected([frames(recorded)], spec)
    (gap,) = of_kind(result, "recording_gap")
    assert gap.text.startswith(said)
    assert ("loss" in {part.kind for part in gap.parts}) is not was_set
    assert not of_kind(result, "loss")


@pytest.mark.parametrize("pause_ms", [90, 300])
def test_a_channel_that_went_on_meanwhile_is_named(kit: Spec, pause_ms: int) -> None:
    """One that nothing describes, every 50 ms; it does not go on where it pauses too."""
    quiet = drive(lambda _, t: not 1000 < t <= 1537)
    others = [t for t in range(0, 3000, 10) if not 1200 < t <= 1200 + pause_ms]
    rows = [row(t, 0x700, channel="can7") for t in others]
    rows += [(int(t), "can0", int(i), bytes(8)) for t, i in zip(quiet.t_ns, quiet.can_id, strict=True)]
    result, _ = inspected([frames(sorted(rows), ("can0", "can7"))], kit)
    (finding,) = serious(result)
    said = "Channel can7 went on: either nothing got through on the bus, or only its recording stopped."
    assert (said in finding.text) is (pause_ms < 100)


def test_a_step_of_one_channel_alone_may_be_its_own_recorder(kit: Spec) -> None:
    """Every message of can0 goes on after 500 ms as if none had passed; can7 had frames meanwhile."""
    quiet = drive(lambda *_: True, step_ms=500)
    rows = [(int(t), "can0", int(i), bytes(8)) for t, i in zip(quiet.t_ns, quiet.can_id, strict=True)]
    rows += [row(t, 0x700, channel="can7") for t in range(0, 3500, 10)]
    result, _ = inspected([frames(sorted(rows), ("can0", "can7"))], kit)
    (finding,) = serious(result)
    assert finding.text.startswith("Nothing was recorded on channel can0 for 50")
    assert finding.text.endswith(
        "Channel can7 went on: either nothing got through on the bus, or only its recording stopped, "
        "or the clock of a recorder of its own was set."
    )


RELAYED = """\
messages:
  one.Angle: {period: 10 ms}
  one.Torque: {period: 20 ms}
  two.Pads: {period: 20 ms, relay_of: {message: one.Torque, protection: own}}
"""
TWO_BUSES = (
    "vehicle: Test cart\nbuses: {one: {description: kit.dbc, channel: can0}, "
    "two: {description: kit.dbc, channel: can1}}\n"
)


@pytest.mark.parametrize(("copied", "kind"), [(True, "recording_gap"), (False, "stale")])
def test_what_a_gateway_passes_on_tells_a_dead_bus_from_one_that_is_not_recorded(
    tmp_path: Path, copied: bool, kind: str
) -> None:
    """For 537 ms nothing comes on can0, on can1 another message all the time; the copy of one, or not."""
    quiet = lambda t: 1000 < t <= 1537  # noqa: E731
    rows = [row(t, 0x10) for t in range(2, 3000, 10) if not quiet(t)]
    rows += [row(t, 0x20) for t in range(4, 3000, 20) if not quiet(t)]
    rows += [row(t, 0x40, channel="can1") for t in range(6, 3000, 20) if copied or not quiet(t)]
    rows += [row(t, 0x700, channel="can1") for t in range(0, 3000, 10)]
    text = RELAYED + "".join(
        f"  {bus}.{name}: {{trigger: event}}\n"
        for bus in ("one", "two")
        for name in NAMES.values()
        if f"{bus}.{name}:" not in RELAYED
    )
    spec = spec_of(tmp_path, MESSAGES, text, head=TWO_BUSES)
    (finding,) = serious(inspected([frames(sorted(rows), ("can0", "can1"))], spec)[0])
    assert finding.kind == kind
    assert finding.text.endswith(
        "Channel can1 went on, with Pads, which a gateway makes of them: only their recording stopped."
        if copied
        else "Pads, which a gateway makes of them, fell silent with them."
    )


def test_one_message_alone_stays_what_it_is(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, t: not (can_id == 0x10 and away(t)))], kit)
    (finding,) = serious(result)
    assert finding.place.message == "Angle"
    assert finding.parts == ()


def test_messages_without_anything_in_common_stay_apart(kit: Spec) -> None:
    gone = {0x10, 0x30}  # one of each node, whose others go on
    result, _ = inspected([drive(lambda can_id, t: not (can_id in gone and away(t)))], kit)
    assert {finding.place.message for finding in serious(result)} == {"Angle", "Pressure"}


def test_silences_that_begin_apart_stay_apart(kit: Spec) -> None:
    begins = {0x10: 1000, 0x20: 1300}  # Angle has been silent for 300 ms when Torque begins
    result, _ = inspected([drive(lambda can_id, t: not begins.get(can_id, 9999) < t <= 2000)], kit)
    assert {finding.place.message for finding in serious(result)} == {"Angle", "Torque"}


def test_a_forward_step_of_the_clock_is_no_silence_of_five_messages(kit: Spec) -> None:
    result, _ = inspected([drive(lambda *_: True, step_ms=700)], kit)
    (finding,) = serious(result)
    assert "jump forward by 700 ms" in finding.text
    assert finding.kind == "recording_gap"


def test_nodes_that_never_came_are_named(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, _: SENDERS[can_id] != "Brake")], kit)
    (finding,) = serious(result)
    assert finding.text == "No message of Brake came: Pressure and Pads."
    assert finding.kind == "missing"


def test_the_parts_are_in_the_json(kit: Spec) -> None:
    result, _ = inspected([drive(lambda can_id, t: not (SENDERS[can_id] == "Wheel" and away(t)))], kit)
    (found,) = [f for f in result.to_json()["findings"] if f["severity"] == "error"]
    assert [part["message"] for part in found["parts"]] == ["Angle", "Torque"]
    assert all(part["text"] and part["kind"] == "stale" for part in found["parts"])


def test_two_channels_without_a_frame_are_the_recorder() -> None:
    """Every message of the cart at its period, but for a second and a half on both channels."""
    spec = spec_at()
    messages = [(rule.period_ns or 0, rule) for rule in spec.messages if rule.period_ns]
    rows = sorted(
        (START_NS + t_ns, spec.buses[rule.bus].channel, rule.message.can_id, bytes(rule.message.length))
        for period_ns, rule in messages
        for t_ns in range(0, 4000 * MS, period_ns)
        if not 1020 * MS < t_ns < 2530 * MS
    )
    result, _ = inspected([frames(rows, ("can0", "can1"))], spec)
    (gap,) = of_kind(result, "recording_gap")
    assert gap.severity == "warning"
    assert "channels can0 and can1" in gap.text
    assert of_kind(result, "stale") == [], told(of_kind(result, "stale"))


def test_any_cutting_gives_the_same_incidents(kit: Spec) -> None:
    whole = drive(lambda can_id, t: not ((can_id < 0x30 and away(t)) or 2000 < t < 2400))
    expected, _ = inspected([whole], kit)
    assert len(serious(expected)) == 2
    for points in (range(len(whole) + 1), range(0, len(whole), 7), [300, 301, 500]):
        cut, _ = inspected(whole.split(points), kit)
        assert cut.to_json() == expected.to_json()
