"""Each kind of mistake in a spec: its place, its sentence and the nearest name."""

from __future__ import annotations

import pytest

from canmap.base.errors import DescriptionError, Fault, SpecError, UsageError
from canmap.mapping.description.description import DescribedMessage, Description
from canmap.mapping.loader import build_spec
from tests.spec_builders import HEAD, KIT, signal, spec_of

RECORD = "records:\n  steering:\n    type: Steering\n    stamp: SteerFeedback\n    "
TWO_SIGNALS = "SteerFeedback.Angle, SteerFeedback.Fine"

# What stands behind the three lines of HEAD; line, column and sentence of the one fault.
CASES = {
    # keys
    "wrong key": ("geometri: {}\n", 4, 1, "A spec has no key `geometri`; did you mean `geometry`?"),
    "wrong key in a message": (
        "messages:\n  SteerFeedback: {stale: 60 ms}\n",
        *(5, 19, "A message has no key `stale`; did you mean `stale_after`?"),
    ),
    "no value": ("geometry:\n", 4, 1, "`geometry` has no value."),
    "list for a mapping": (
        "geometry: [1 m]\n",
        4,
        11,
        "The geometry must be a mapping of `key: value`, such as `wheelbase: ...`.",
    ),
    "bus without description": (
        "  body: {channel: can1}\n",
        *(4, 9, "A bus needs the key `description`."),
    ),
    "two buses on one channel": (
        "  body: {description: kit.dbc, channel: drive}\n",
        *(4, 41, "The buses drive and body are on one channel, drive."),
    ),
    "description that is not there": (
        "  body: {description: kid.dbc}\n",
        *(4, 23, "There is no file `kid.dbc`: the path is relative to this file."),
    ),
    # names
    "wrong message": (
        "messages:\n  SteerFedback: {}\n",
        *(5, 3, "No description has a message `SteerFedback`; did you mean `SteerFeedback`?"),
    ),
    "wrong bus": (
        "messages:\n  drife.SteerFeedback: {}\n",
        5,
        3,
        "There is no bus `drife`; did you mean `drive`?",
    ),
    "wrong signal": (
        RECORD + "torque: SteerFeedback.Angel\n",
        *(8, 13, "SteerFeedback has no signal `Angel`; did you mean `Angle`?"),
    ),
    "no signal": (
        RECORD + "torque: SteerFeedback\n",
        8,
        13,
        "`SteerFeedback` is not a signal: write Message.Signal.",
    ),
    "wrong field": (
        RECORD + "weel_angle: SteerFeedback.Angle\n",
        *(8, 5, "The record type Steering has no field `weel_angle`; did you mean `wheel_angle`?"),
    ),
    "wrong record type": (
        "records:\n  s: {type: Stering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n",
        *(5, 13, "There is no record type `Stering`; did you mean `Steering`?"),
    ),
    "no stamp": (
        "records:\n  s: {type: Steering, wheel_angle: SteerFeedback.Angle}\n",
        *(5, 6, "The record s needs the key `stamp`: a message."),
    ),
    "wrong label": (
        RECORD + "state: {signal: SteerFeedback.State, no_data: SMA}\n",
        *(8, 51, "SteerFeedback.State has no label `SMA`; did you mean `SNA`?"),
    ),
    "label of a signal without labels": (
        "messages:\n  DriveFeedback: {period: 1 s, active_when: {SteerFeedback.Share: Full}}\n",
        *(5, 67, "SteerFeedback.Share has no label `Full`, nor any other: write a raw code."),
    ),
    "wrong state": (
        RECORD + "state: {signal: SteerFeedback.State, no_data: SNA, labels: {3: aktive}}\n",
        *(8, 68, "`aktive` is not a value of this field; did you mean `active`?"),
    ),
    "labels that are not the field's words": (
        RECORD + "state: SteerFeedback.State\n",
        *(
            8,
            12,
            "state is off, standby, ready, active, overridden or faulted, and SteerFeedback.State does",
        ),
    ),
    "code too large": (
        RECORD + "torque: {signal: SteerFeedback.Share, unit: Nm, no_data: 256}\n",
        *(8, 62, "SteerFeedback.Share has 8 bits: its raw codes are 0 to 255."),
    ),
    "wrong word": (
        "messages:\n  SteerFeedback: {trigger: cyclical}\n",
        *(5, 28, "`cyclical` is not what makes a message come; did you mean `cyclic`?"),
    ),
    "wrong node": (
        "supply_groups: {kit: [SteerNod]}\n",
        *(4, 23, "No message is sent by a node `SteerNod`; did you mean `SteerNode`?"),
    ),
    "wrong record field": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range_by_speed: {speed: stering.torque, points: "
        "[[0 km/h, 9 deg], [9 km/h, 5 deg]]}}\n",
        *(8, 72, "The spec has no record `stering`; did you mean `steering`?"),
    ),
    # units and quantities
    "unit that is not known": (
        "geometry: {track: 1.2 metre}\n",
        4,
        19,
        "`1.2 metre`: the unit `metre` is not known",
    ),
    "number without unit": (
        "messages:\n  SteerFeedback: {period: 10}\n",
        *(5, 27, "The number has no unit: write one that converts to s, such as ms."),
    ),
    "unit of another kind": (
        "messages:\n  SteerFeedback: {period: 10 mm}\n",
        *(5, 27, "The unit `mm` does not convert to s."),
    ),
    "time of zero": (
        "messages:\n  SteerFeedback: {period: 0 ms}\n",
        5,
        27,
        "The value must be greater than zero.",
    ),
    "time as clock": (
        "messages:\n  SteerFeedback: {period: 1:30}\n",
        *(5, 27, "`1:30`: a quantity is a number and its unit, such as 10 ms."),
    ),
    "stale before the next frame": (
        "messages:\n  SteerFeedback: {stale_after: 10 ms}\n",
        *(5, 32, "SteerFeedback would be stale before its next frame: its period is longer."),
    ),
    "field in another unit": (
        RECORD + "torque: SteerFeedback.Angle\n",
        *(8, 13, "`deg` does not convert to N m, the unit of torque."),
    ),
    "share in degrees": (
        "records:\n  d: {type: Drive, stamp: DriveFeedback, throttle: SteerFeedback.Angle}\n",
        *(5, 52, "`deg` does not convert to a plain number or a share in %, the unit of throttle."),
    ),
    "description's unit not known": (
        RECORD + "torque: SteerFeedback.Odd\n",
        *(
            8,
            13,
            "The description gives SteerFeedback.Odd the unit `furlong`, which is not known: write",
        ),
    ),
    "description without unit": (
        RECORD + "torque: SteerFeedback.Share\n",
        *(8, 13, "The description gives SteerFeedback.Share no unit: write `unit:` here."),
    ),
    "unit against the description": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, unit: rad}\n",
        *(
            8,
            54,
            "The description says SteerFeedback.Angle is in `deg`, not in `rad`: leave `unit` out,",
        ),
    ),
    "percent sign without quotes": (
        RECORD + "torque: {signal: SteerFeedback.Share, unit: %}\n",
        *(8, 49, "This is not valid YAML: a text cannot start with this character: put it in quotes."),
    ),
    # fields
    "signal and sum": (
        RECORD + f"wheel_angle: {{signal: SteerFeedback.Angle, sum: [{TWO_SIGNALS}]}}\n",
        *(8, 18, "A field needs one of the keys `signal` and `sum`."),
    ),
    "sum across messages": (
        RECORD + "wheel_angle: {sum: [SteerFeedback.Angle, DriveFeedback.Speed]}\n",
        *(
            8,
            46,
            "The signals of a sum must be in one message: SteerFeedback.Angle and DriveFeedback.Speed",
        ),
    ),
    "sum across units": (
        RECORD + "wheel_angle: {sum: [SteerFeedback.Angle, SteerFeedback.Share]}\n",
        *(
            8,
            46,
            "The signals of a sum must have one unit: "
            "SteerFeedback.Angle and SteerFeedback.Share have `deg` and ``.",
        ),
    ),
    "range upside down": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range: [9 deg, -9 deg]}\n",
        *(8, 55, "The low limit of a range comes first, and must be below the high limit."),
    ),
    "range in two units": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range: [-9 deg, 1 rad]}\n",
        *(8, 55, "Both limits of a range must have the same unit."),
    ),
    "range of one end": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range: [-9 deg]}\n",
        *(8, 55, "The list has 1 item, not 2 ends."),
    ),
    "range of a choice": (
        RECORD + "state: {signal: SteerFeedback.State, no_data: SNA, range: [0, 1]}\n",
        *(8, 56, "`range` has no meaning here: state is a choice."),
    ),
    "labels of a quantity": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, labels: {0: off}}\n",
        *(8, 48, "`labels` has no meaning here: wheel_angle is a quantity."),
    ),
    "sign": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, sign: minus}\n",
        *(8, 54, "`minus` is not a sign: write 1 or -1."),
    ),
    "table that falls back": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, table: [[1 deg, 1 deg], [1 deg, 2 deg]]}\n",
        *(8, 55, "The first values of a table must ascend."),
    ),
    "yes or no": (
        "overrides: {hand: {signal: SteerFeedback.Angle, threshold: 3 deg, latched: on}}\n",
        *(4, 76, "`on` is neither yes nor no."),
    ),
    "number that reads two ways": (
        "correct: {SteerFeedback.Angle: {bits: 010, reason: x}}\n",
        *(4, 39, "`010`: a number that begins with 0 reads two ways: write 10."),
    ),
    "code that is no whole number": (
        "records:\n  c: {type: Control, stamp: DriveFeedback, reason: DriveFeedback.Speed}\n",
        *(5, 52, "DriveFeedback.Speed has no whole numbers, so it cannot be a choice."),
    ),
    "list for a text": ("include: [{a: b}]\n", 4, 11, "`include` lists paths, and this is not a path."),
    "text for a list": (
        "redundant: {p: {signals: x}}\n",
        4,
        26,
        "This must be a list of signals: write [..., ...].",
    ),
    "list for a quantity": (
        "geometry: {track: [1 m]}\n",
        4,
        19,
        "This must be a quantity such as 10 ms, not a list.",
    ),
    "empty text": ("  body: {description: kit.dbc, channel: ''}\n", 4, 41, "The text is empty."),
    # corrections
    "correction without reason": (
        "correct: {SteerFeedback.Angle: {factor: 2}}\n",
        *(4, 32, "A correction of a signal needs the key `reason`."),
    ),
    "correction beyond the payload": (
        "correct: {SteerFeedback.Angle: {start_bit: 60, reason: x}}\n",
        *(4, 44, "Angle then ends beyond the 8 bytes of SteerFeedback."),
    ),
    "correction of nothing": (
        "correct: {SteerFeedback.Angle: {reason: x}}\n",
        *(4, 32, "The correction of SteerFeedback.Angle is empty."),
    ),
    # triggers, records, own types
    "cyclic without period": (
        "messages:\n  DriveFeedback: {trigger: cyclic}\n",
        *(5, 18, "DriveFeedback is cyclic, but its `period` is not known."),
    ),
    "event with period": (
        "messages:\n  DriveFeedback: {trigger: event, period: 10 ms}\n",
        *(5, 43, "DriveFeedback is sent event, so it has no `period`: leave it out, or write `heartbeat`."),
    ),
    "message twice": (
        "messages:\n  SteerFeedback: {}\n  drive.SteerFeedback: {}\n",
        *(6, 3, "`drive.SteerFeedback` is given twice: it is `SteerFeedback` on line 5."),
    ),
    "own type in no SI unit": (
        "record_types: {Arm: {fields: {height: {unit: mm}}}}\n",
        *(4, 46, "Records hold SI units: write m, not mm."),
    ),
    "own type with a core name": (
        "record_types: {Drive: {fields: {height: {unit: m}}}}\n",
        *(4, 16, "Drive is a record type of canmap: choose another name."),
    ),
    "motion without geometry": (
        "records:\n  m: {type: Motion, stamp: DriveFeedback, speed: DriveFeedback.Speed, road_angle: "
        "SteerFeedback.Angle}\n",
        *(5, 6, "Motion needs the `wheelbase` under `geometry`."),
    ),
    "state machine": (
        "state_machines: {k: {signal: SteerFeedback.State, transitions: [{from: Of, to: Ready}]}}\n",
        *(4, 72, "SteerFeedback.State has no label `Of`; did you mean `Off`?"),
    ),
    "fault bit": (
        "faults: {SteerFeedback.Share: {8: {text: hot}}}\n",
        *(4, 32, "`8` is not between 0 and 7."),
    ),
    "hash": (
        "verified_on: {descriptions: {drive: 12}}\n",
        *(4, 37, "`12` is not a SHA-256 hash of 64 hexadecimal digits."),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_mistake_is_told_with_its_place(name, tmp_path):
    text, line, column, sentence = CASES[name]
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text)
    (fault,) = raised.value.faults
    assert (fault.file, fault.line, fault.column) == (str(tmp_path / "spec.yaml"), line, column)
    assert fault.text.startswith(sentence)
    assert fault.text[-1] in ".?"


def test_all_mistakes_come_together(tmp_path):
    text = (
        "geometri: {}\n"
        "messages: {SteerFedback: {}, SteerFeedback: {period: 10}}\n"
        "records:\n  steering: {type: Steering, stamp: SteerFeedback, torque: SteerFeedback.Angle, sate: x}\n"
    )
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text)
    assert [(fault.line, fault.column) for fault in raised.value.faults] == [
        (4, 1),
        (5, 12),
        (5, 54),
        (7, 60),
        (7, 81),
        (7, 87),  # below the misspelt key
    ]
    assert str(raised.value).count("\n") == 5


def test_faults_of_descriptions_come_with_those_of_the_spec(tmp_path):
    path = tmp_path / "spec.yaml"
    path.write_text(HEAD + "geometri: {}\nmessages: {Unknown: {}}\n", encoding="utf-8")
    (tmp_path / "kit.dbc").touch()

    def describe(name):
        raise DescriptionError((Fault(name, 7, 0, "Two signals overlap."),))

    with pytest.raises(SpecError) as raised:
        build_spec(str(path), describe)
    # the names of a description that cannot be read are not doubted
    assert sorted(str(fault).removeprefix(str(tmp_path) + "/") for fault in raised.value.faults) == [
        "kit.dbc:7: Two signals overlap.",
        "spec.yaml:4:1: A spec has no key `geometri`; did you mean `geometry`?",
    ]


def test_signal_on_two_buses_needs_its_bus(tmp_path):
    text = "  body: {description: kit.dbc}\nmessages: {SteerFeedback: {}}\n"
    with pytest.raises(
        SpecError, match=r"5:12: `SteerFeedback` is on several buses: write drive.SteerFeedback or body"
    ):
        spec_of(tmp_path, text)


@pytest.mark.parametrize("option", ["channels", "descriptions"])
def test_override_of_a_bus_that_is_not_there(option, tmp_path):
    with pytest.raises(UsageError, match="has no bus `drife`; did you mean `drive`"):
        spec_of(tmp_path, "", **{option: {"drife": "can0"}})


def test_overrides_win(tmp_path):
    asked = []
    path = tmp_path / "spec.yaml"
    path.write_text(HEAD, encoding="utf-8")
    spec = build_spec(
        str(path),
        lambda name: asked.append(name) or KIT,
        channels={"drive": "vcan3"},
        descriptions={"drive": "elsewhere.dbc"},
    )
    assert spec.buses["drive"].channel == "vcan3"
    assert asked == ["elsewhere.dbc"]


def test_mistakes_beyond_a_listing_are_counted(tmp_path):
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, "".join(f"wrong{index}: 1\n" for index in range(700)))
    assert len(raised.value.faults) == 501
    assert "There are 200 more mistakes." in raised.value.faults[-1].text


def test_sum_of_signals_that_are_multiplexed_apart(tmp_path) -> None:
    page = signal("Page", 0, 8)
    paged = [
        signal(name, start, 8, "deg", selector="Page", selected_by=((number, number),))
        for number, (name, start) in enumerate([("Coarse", 8), ("Fine", 16)])
    ]
    message = DescribedMessage("SteerFeedback", 0x101, False, 8, None, 10_000_000, (page, *paged))
    text = RECORD + "wheel_angle: {sum: [SteerFeedback.Coarse, SteerFeedback.Fine]}\n"
    with pytest.raises(SpecError) as caught:
        spec_of(tmp_path, text, description=Description("kit.dbc", (message,)))
    assert [fault.text for fault in caught.value.faults] == [
        "The signals of a sum must be in the same frames: "
        "SteerFeedback.Coarse and SteerFeedback.Fine are not."
    ]
