"""A bag through the command line, read by others: mcap with its decoder of ROS 2 messages, and rosbags."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory
from rosbags.rosbag2 import Reader

import canmap
from canmap.api.export import export
from tests.e2e import shell
from tests.streams import ROOT, spec_of
from tests.topics import converted, typestore

if TYPE_CHECKING:
    from pathlib import Path

    from tests.topics import Converted

DROP = ROOT / "captures" / "steering_drop.log"


@pytest.fixture(scope="module")
def count(made: Converted) -> int:
    """How many messages a bag has; the clock goes into none."""
    return sum(one.topic != "/clock" for one in made.messages)


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory, count: int) -> Path:
    path = tmp_path_factory.mktemp("bag") / "drop.mcap"
    done = shell.canmap("export", shell.DEMO, "--spec", shell.CART, "--into", path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"{count:,} messages on 21 topics in ")
    return path


@pytest.fixture(scope="module")
def made() -> Converted:
    from canmap.frames.readers import open_captures

    return converted([piece() for piece in open_captures([str(DROP)]).pieces()], spec_of())


def test_mcap_and_rosbags_read_the_same_messages_as_were_made(bag: Path, made: Converted) -> None:
    wanted = [
        (f"/{one.topic.removeprefix('/')}", one.type, one.stamp_ns, one.data)
        for one in made.messages
        if one.topic != "/clock"
    ]
    with bag.open("rb") as file:
        read = [
            (channel.topic, schema.name, message.log_time, message.data)
            for schema, channel, message in make_reader(file).iter_messages(log_time_order=False)
            if schema is not None
        ]
    assert read == wanted
    with Reader(bag) as rosbag:
        assert rosbag.message_count == len(wanted)
        in_rosbag = [(one.topic, one.msgtype, stamp, data) for one, stamp, data in rosbag.messages()]
    assert sorted(in_rosbag) == sorted(wanted)


def test_two_decoders_give_every_value_of_the_records(bag: Path, made: Converted) -> None:
    records = canmap.inspect(DROP, spec_of(), keep=["steering", "battery"]).records
    store = typestore(tuple(topic.type for topic in made.table))
    with bag.open("rb") as file:
        reader = make_reader(file, decoder_factories=[DecoderFactory()])
        steering = [
            (raw, message)
            for _, _, raw, message in reader.iter_decoded_messages(["/steering"], log_time_order=False)
        ]
    angle = records["steering"].columns["wheel_angle"]
    assert [raw.log_time for raw, _ in steering] == records["steering"].stamp_ns.tolist()
    assert [message.wheel_angle_valid for _, message in steering] == angle.valid.tolist()
    for (raw, message), value, valid in zip(steering, angle.values, angle.valid, strict=True):
        again = store.deserialize_cdr(raw.data, "canmap_msgs/msg/Steering")
        assert message.wheel_angle == again.wheel_angle or not valid
        assert message.wheel_angle == value if valid else math.isnan(message.wheel_angle)
    assert not angle.valid.all()


def test_one_record_below_a_namespace(tmp_path: Path) -> None:
    path = tmp_path / "battery.mcap"
    options = ("--record", "battery", "--namespace", "cart", "--from", "2", "--to", "4")
    done = shell.canmap("export", shell.DEMO, "--spec", shell.CART, *options, "--into", path)
    assert done.returncode == 0, done.stderr
    records = canmap.inspect(DROP, spec_of(), keep="battery", span_s=(2, 4)).records["battery"]
    with path.open("rb") as file:
        reader = make_reader(file, decoder_factories=[DecoderFactory()])
        read = list(reader.iter_decoded_messages())
    topics = {channel.topic for _, channel, _, _ in read}
    assert topics == {"/cart/battery", "/cart/battery/record", "/diagnostics"}
    done_by_program = export(
        DROP, spec_of(), tmp_path / "b.mcap", records="battery", namespace="cart", span_s=(2, 4)
    )
    with (tmp_path / "b.mcap").open("rb") as file:
        again = {(one.topic, raw.data) for _, one, raw in make_reader(file).iter_messages()}
    assert again == {(one.topic, raw.data) for _, one, raw, _ in read}
    assert sum(done_by_program.rows.values()) == len(read)
    volts = [message.voltage for _, channel, _, message in read if channel.topic == "/cart/battery"]
    assert volts == np.float32(records.columns["voltage"].values).tolist()


def test_a_bag_that_was_cut_off_is_finished(bag: Path, tmp_path: Path, count: int) -> None:
    part, into = tmp_path / "a.mcap.part", tmp_path / "a.mcap"
    part.write_bytes(bag.read_bytes()[:-100])
    done = shell.canmap("export", part, "--record", "battery", "--into", into)
    assert (done.returncode, into.exists()) == (2, False)  # it would hold all the same
    assert "becomes whole as it is: leave out --record, " in done.stderr
    done = shell.canmap("export", part, "--into", into)
    assert (done.returncode, done.stdout) == (0, f"{count:,} messages in {into}.\n")
    with Reader(into) as rosbag:
        assert rosbag.message_count == count > 8000
    assert part.exists()


def test_what_is_missing_or_in_the_way_is_said(bag: Path, tmp_path: Path) -> None:
    done = shell.canmap("export", shell.DEMO, "--into", tmp_path / "a.mcap")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "canmap: Missing option '--spec'. See 'canmap export --help'.\n"
    done = shell.canmap("export", shell.DEMO, "--spec", shell.CART, "--into", bag)
    assert done.stderr == f"canmap: {bag} exists; name another file, or give --overwrite.\n"
    done = shell.canmap("export", shell.DEMO, "--spec", shell.CART, "--into", "-", "--format", "mcap")
    assert (
        done.stderr
        == "canmap: Standard output is not an ordinary file; only jsonl or csv can be written there.\n"
    )
    assert list(tmp_path.iterdir()) == []
