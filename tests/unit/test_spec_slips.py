"""Slips of the pen in a spec: numbers that read two ways, units by another name, what hangs on a mistake."""

from __future__ import annotations

import pytest

import canmap
from canmap.base.errors import ArgumentError, SpecError, UsageError
from canmap.mapping.loader import MOST_BUSES
from tests.spec_builders import HEAD, VEHICLE, spec_of

RECORD = "records:\n  steering:\n    type: Steering\n    stamp: SteerFeedback\n    "
CART = VEHICLE.parents[3] / "specs" / "orchard_cart" / "cart.yaml"


def faults_of(folder, text, head=HEAD):
    with pytest.raises(SpecError) as raised:
        spec_of(folder, text, head)
    return [(fault.line, fault.column, fault.text) for fault in raised.value.faults]


COMMAS = {
    "flow mapping": ("demands:\n  SteerFeedback: {watchdog: 1,5 s}\n", 5, 29, "`1,5 s`", "write 1.5 s."),
    "block": ("demands:\n  SteerFeedback:\n    watchdog: 1,5 s\n", 6, 15, "`1,5 s`", "write 1.5 s."),
    "list": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range: [-1,5 deg, 2 deg]}\n",
        *(8, 56, "`-1,5 deg`", "write -1.5 deg."),
    ),
    "number": ("correct: {SteerFeedback.Angle: {factor: 0,5, reason: x}}\n", 4, 41, "`0,5`", "write 0.5."),
    "ratio": ("geometry: {steering_ratio: 15,4}\n", 4, 28, "`15,4`", "write 15.4."),
    "thousands": ("geometry: {track: '1,200 mm'}\n", 4, 19, "`1,200 mm`", "write 1.200 mm or 1200 mm."),
    "leading zero": ("demands: {SteerFeedback: {watchdog: 0300 ms}}\n", 4, 37, "`0300 ms`", "write 300 ms."),
    "leading zero of a whole number": (
        "correct: {SteerFeedback.Angle: {bits: 010, reason: x}}\n",
        *(4, 39, "`010`", "write 10."),
    ),
}


def test_labels_that_are_turned_round_are_one_mistake(tmp_path):
    field = "state: {signal: SteerFeedback.State, labels: {off: Off, standby: Standby, active: Active}}\n"
    turned = "The list of labels is the wrong way round: write `label: state`."
    assert faults_of(tmp_path, RECORD + field) == [(8, 50, turned)]  # at its bracket
    # With a state that no label stands for, it is the one that is wrong.
    ((_, _, first), *_) = faults_of(tmp_path, RECORD + field.replace("Standby", "Standing"))
    assert first == "SteerFeedback.State has no label `off`; did you mean `Off`?"


@pytest.mark.parametrize("name", COMMAS)
def test_number_that_reads_two_ways_gets_a_word(name, tmp_path):
    text, line, column, begin, end = COMMAS[name]
    ((at_line, at_column, said),) = faults_of(tmp_path, text)
    assert (at_line, at_column) == (line, column)
    assert said.startswith(begin)
    assert said.endswith(end)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        *(("metres", "m"), ("Meter", "m"), ("mètre", "m"), ("Zoll", "in"), ("MM", "mm"), ("feet", "ft")),
        *(("kilometres", "km"), ("Inch", "in")),
    ],
)
def test_unit_word_is_told_its_unit(written, meant, tmp_path):
    ((*_, said),) = faults_of(tmp_path, f"geometry: {{track: 1.2 {written}}}\n")
    assert said == f"`1.2 {written}`: the unit `{written}` is not known; did you mean `{meant}`?" or (
        written == "Inch" and said.endswith("did you mean `inch`?")
    )


@pytest.mark.parametrize("written", ["degree_s", "Grad", "voltz", "xyz", "sec."])
def test_nearest_unit_is_never_of_another_kind(written, tmp_path):
    ((*_, said),) = faults_of(tmp_path, f"geometry: {{track: 1.2 {written}}}\n")
    assert said.endswith("; it is one of m, mm, cm, km, in or inch.")


def test_nearest_name_is_plausible_or_none(tmp_path):
    ((*_, said),) = faults_of(
        tmp_path, "messages: {SteerFeedback: {checksum: {signal: Share, profile: banana}}}\n"
    )
    assert said.startswith("`banana` is not a profile of checksums; it is one of E2E P01, E2E P02,")
    assert "did you mean" not in said
    ((*_, said),) = faults_of(
        tmp_path, "messages: {SteerFeedback: {checksum: {signal: Share, profile: E2E P1}}}\n"
    )
    assert "; did you mean `E2E P" in said


def test_a_rate_in_place_of_a_period_is_told_the_period(tmp_path):
    ((*_, said),) = faults_of(tmp_path, "messages: {SteerFeedback: {period: 40 Hz}}\n")
    assert said == "The unit `Hz` does not convert to s: its period is 25 ms."


def test_a_sign_before_a_name_is_told_its_key(tmp_path):
    ((*_, said),) = faults_of(tmp_path, RECORD + "wheel_angle: -SteerFeedback.Angle\n")
    told = "write `{signal: SteerFeedback.Angle, sign: -1}` for a field."
    assert said == f"`-SteerFeedback.Angle` is not a signal: {told}"


def test_a_signal_without_its_message_is_told_its_message(tmp_path):
    ((_, _, said),) = faults_of(tmp_path, RECORD + "wheel_angle: Angle\n")
    assert said == "`Angle` is not a signal: write SteerFeedback.Angle."
    ((_, _, said),) = faults_of(tmp_path, RECORD + "wheel_angle: Angel\n")
    assert said == "`Angel` is not a signal: write Message.Signal."


@pytest.mark.parametrize(
    ("written", "key"),
    [("cycle_time: 10 ms", "period"), ("timeout: 60 ms", "stale_after"), ("crc: {position: 7}", "checksum")],
)
def test_a_key_by_another_word_of_the_trade_is_told_its_key(written, key, tmp_path):
    name = written.partition(":")[0]
    found = faults_of(tmp_path, f"messages: {{SteerFeedback: {{{written}}}}}\n")
    assert found[0][2] == f"A message has no key `{name}`; did you mean `{key}`?"


def test_a_motion_of_a_record_that_is_none_is_told_which_there_are(tmp_path):
    text = (
        "geometry: {wheelbase: 1 m, steering_ratio: 12}\nrecords:\n"
        "  drive: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}\n"
        "  m: {type: Motion, stamp: DriveFeedback, speed: drive.speed, wheel_angle: steering.wheel_angle}\n"
    )
    ((_, _, said),) = faults_of(tmp_path, text)
    assert said == "There is no record and no message `steering`; it is one of drive or m."


def test_a_colon_without_a_blank_behind_it_is_told_and_read_all_the_same(tmp_path):
    found = faults_of(tmp_path, RECORD + "wheel_angle: {signal:SteerFeedback.Agle, sign: 1}\n")
    assert found == [
        (8, 19, "`signal:SteerFeedback.Agle` lacks a blank behind its colon."),
        (8, 26, "SteerFeedback has no signal `Agle`; did you mean `Angle`?"),
    ]


def test_a_record_without_a_type_is_told_which_there_are(tmp_path):
    ((*_, said),) = faults_of(tmp_path, "records:\n  a: {stamp: SteerFeedback}\n")
    assert said.startswith("The record a needs the key `type`; it is one of Steering, Drive, ")


def test_a_field_that_another_record_does_not_map_is_told_whatever_else_is_wrong(tmp_path):
    text = (
        "geometry: {wheelbase: 1.86 m}\nrecords:\n"
        "  a: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Sped}\n"
        "  s: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n"
        "  m: {type: Motion, stamp: DriveFeedback, speed: a.speed, road_angle: s.road_angle}\n"
    )
    assert [(line, said) for line, _, said in faults_of(tmp_path, text)] == [
        (6, "DriveFeedback has no signal `Sped`; did you mean `Speed`?"),
        (8, "The record s does not map its field road_angle; it maps wheel_angle."),
    ]


def test_a_mistake_that_is_put_right_in_the_description_is_told_once(tmp_path):
    signals = "".join(f' SG_ {name} : 0|16@1- (1,0) [0|0] "deg" Other\n' for name in ("Angle", "Other"))
    (tmp_path / "kit.dbc").write_text(f"BU_: Node Other\nBO_ 256 Column: 8 Node\n{signals}", "utf-8")
    fields = "wheel_angle: {signal: Column.Angle, valid_when: {Column.Other: 1}}, road_angle: Column.Angle"
    (tmp_path / "cart.yaml").write_text(
        "vehicle: Test cart\nbuses: {drive: {description: kit.dbc}}\n"
        f"records: {{a: {{type: Steering, stamp: Column, {fields}}}}}\n",
        "utf-8",
    )
    with pytest.raises(SpecError) as raised:
        canmap.load_spec(str(tmp_path / "cart.yaml"))
    said = [fault.text.split(",")[0] for fault in raised.value.faults]
    assert said == ["Column.Angle is not read", "Column.Other is not read"]


BELOW = {
    "unknown message": (
        "messages:\n  Nothing: {perod: 1 s, counter: {signal: Counter, step: 900}, latency: 3 V}\n",
        ["No description has", "A message has no key", "`900` is not between", "The unit `V`"],
    ),
    "unknown record type": (
        "records:\n  a: {type: Zzqzz, stamp: SteerFeedback, "
        "lift: {signal: SteerFeedback.Angle, sgn: 1, scale: 0}}\n",
        ["There is no record type", "A field has no key", "A scale must not"],
    ),
    "missing description": (
        "  body: {channel: can1, bit_rate: 5 V}\nmessages:\n  Nothing: {perod: 1 s}\n",
        ["A bus needs the key `description`", "The unit `V`", "A message has no key"],
    ),
    "faults of an unknown signal": (
        "faults: {A.B: {0: {txt: hot}}}\n",
        ["No description", "A fault has no key"],
    ),
}


@pytest.mark.parametrize("name", BELOW)
def test_mistakes_below_what_is_not_known_are_told_too(name, tmp_path):
    text, begins = BELOW[name]
    found = faults_of(tmp_path, text)
    assert len(found) == len(begins)
    assert all(said.startswith(begin) for (*_, said), begin in zip(found, begins, strict=True))


def test_names_are_not_doubted_where_the_buses_are_not_known(tmp_path):
    text = "messages: {SteerFeedback: {}}\nfaults: {drive.A.B: {text: hot}}\n"
    assert faults_of(tmp_path, text, "vehicle: X\n\n\n") == [(1, 1, "A spec needs the key `buses`.")]


def test_one_code_in_two_spellings(tmp_path):
    text = "correct: {SteerFeedback.State: {labels: {1: a, 0x1: b}, reason: x}}\n"
    assert [said for *_, said in faults_of(tmp_path, text)] == [
        "The raw code 1 of SteerFeedback.State is given twice."
    ]
    text = "faults: {SteerFeedback.Share: {1: {text: a}, 0x1: {text: b}}}\n"
    assert [said for *_, said in faults_of(tmp_path, text)] == ["`0x1` is given twice: it is `1` on line 4."]


def test_message_in_two_spellings_in_two_files(tmp_path):
    (tmp_path / "limits.yaml").write_text("messages:\n  SteerFeedback: {start_up: 1 s}\n", encoding="utf-8")
    text = "include: [limits.yaml]\nmessages:\n  drive.SteerFeedback: {stale_after: 60 ms}\n"
    ((line, _, said),) = faults_of(tmp_path, text)
    assert line == 2  # of the fragment, which lies below
    assert said == "`SteerFeedback` is given twice: it is `drive.SteerFeedback` on line 6."


def test_short_form_over_a_mapping_keeps_its_other_keys(tmp_path):
    fragment = RECORD + "wheel_angle: {signal: SteerFeedback.Fine, sign: -1}\n"
    (tmp_path / "limits.yaml").write_text(fragment, encoding="utf-8")
    spec = spec_of(
        tmp_path, "include: [limits.yaml]\nrecords: {steering: {wheel_angle: SteerFeedback.Angle}}\n"
    )
    (field,) = spec.records[0].fields
    assert field.sources[0].signal == "Angle"
    assert field.factor < 0


def test_more_buses_than_a_vehicle_has(tmp_path):
    text = "".join(f"  b{index}: {{description: kit.dbc}}\n" for index in range(20_000))
    ((line, _, said),) = faults_of(tmp_path, text)
    assert line == 3 + MOST_BUSES
    assert said == f"A vehicle has at most {MOST_BUSES} buses, this is one more."


def test_channels_of_the_demonstration_from_python():
    spec = canmap.load_spec(CART, channels={"drive": "can1", "chassis": "can0"})
    assert {bus.name: bus.channel for bus in spec.buses.values()} == {"drive": "can1", "chassis": "can0"}
    with pytest.raises(ArgumentError, match=r"^channels: The buses drive and chassis are both on") as error:
        canmap.load_spec(CART, channels={"drive": "can1"})
    assert "--" not in str(error.value)
    with pytest.raises(
        UsageError, match=r"^descriptions: The spec .* has no bus `driv`; did you mean `drive`"
    ):
        canmap.load_spec(CART, descriptions={"driv": "x.dbc"})
