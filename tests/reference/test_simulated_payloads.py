"""The simulated kit's payloads: packed as cantools packs them, protected as E2E profile 1 is published.

Authority for the checksum: tests/data/published/e2e_payloads.csv, of which the examples of profile 1 with
the data identifier taken low byte, then high byte, are from tests of an open library that its README names.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import UsageError
from canmap.payload.checksums import profile1_checksums
from canmap.simulator.cart.orchard_cart import ORCHARD_CART
from canmap.simulator.cart.payloads import Layout, misread
from tests.published import table
from tests.simulated import MS, Run, databases, is_protected, run, scenario_of
from tests.streams import spec_of

if TYPE_CHECKING:
    from pathlib import Path


def layouts(channel_bus: str = "drive") -> dict[str, Layout]:
    return {
        each.name: Layout(each, ORCHARD_CART.data_ids.get(each.name))
        for each in spec_of().buses[channel_bus].description.messages
    }


def test_checksums_are_as_published() -> None:
    published = [row for row in table("e2e_payloads") if (row["profile"], row["mode"]) == ("E2E P01", "both")]
    assert len(published) >= 3
    for row in published:
        whole, data_id = bytes.fromhex(row["payload_hex"]), int(row["data_id_hex"], 16)
        assert whole[1] & 0x0F == int(row["counter"])
        payload = np.frombuffer(whole, np.uint8).reshape(1, -1)
        assert profile1_checksums(payload, 0, data_id)[0] == whole[0]
        assert is_protected(whole, 0, data_id)


@pytest.mark.parametrize(("channel", "bus"), [("can0", "drive"), ("can1", "chassis")])
def test_payloads_are_packed_as_cantools_packs_them(channel: str, bus: str) -> None:
    chance = np.random.default_rng(4)
    for described in databases()[channel].messages:
        layout = layouts(bus)[described.name]
        plain = [signal for signal in described.signals if signal.name not in {"Counter", "Checksum"}]
        pages = range(3) if described.is_multiplexed() else range(1)
        for page in pages:
            raw = {}
            for signal in plain:
                low = -(1 << (signal.length - 1)) if signal.is_signed else 0
                raw[signal.name] = int(chance.integers(low, low + (1 << signal.length), dtype=np.int64))
            if described.is_multiplexed():
                raw["Page"] = page
            values = {
                signal.name: float(raw[signal.name] * signal.conversion.scale + signal.conversion.offset)
                for signal in plain
            }
            count = int(chance.integers(0, 1000))
            payload = layout.pack(values, np.array([count]))[0].tobytes()
            both = raw | {
                "Counter": count % 15,
                "Checksum": payload[6] if len(payload) == 8 else payload[4] if len(payload) > 4 else 0,
            }
            expected = described.encode(both, scaling=False, strict=False)
            assert payload == expected, described.name
            assert layout.pack_one(values, count) == expected, described.name
            for name, value in values.items():
                if not described.is_multiplexed():
                    assert layout.read(payload, name) == pytest.approx(value)
            assert layout.checks(payload)


def test_what_does_not_fit_is_cut_to_what_does() -> None:
    layout = layouts()["SteerFeedback"]
    payload = layout.pack({"Angle": np.array([1e6, -1e6])}, np.arange(2))
    assert [layout.read(each.tobytes(), "Angle") for each in payload] == pytest.approx([3276.7, -3276.8])
    assert layout.rounded("Angle", 1e6) == pytest.approx(3276.7)
    assert layout.rounded("Angle", 12.34) == pytest.approx(12.3)


def test_all_safety_messages_are_protected_and_counted(tmp_path: Path) -> None:
    told: Run = run(scenario_of(tmp_path))
    for name, data_id in ORCHARD_CART.data_ids.items():
        described = databases()["can0"].get_message_by_name(name)
        rows = told.rows("can0", described.frame_id)
        place = described.get_signal_by_name("Checksum").start // 8
        payloads = [told.chunk.payload[row, : described.length].tobytes() for row in rows]
        assert all(is_protected(payload, place, data_id) for payload in payloads), name
        counters = told.heard(name)["Counter"]
        assert set(np.diff(counters) % 15) == {1}, name
    assert len(set(told.heard("SteerDiagnostics")["Page"])) == 3
    beats = np.diff(told.heard("OperatorPanel").t_s)
    assert beats.max() == pytest.approx(1.0, abs=25 * MS / 1e9)


def test_a_kit_that_sends_otherwise_than_described() -> None:
    described = layouts()["DriveFeedback"]
    swapped = misread(described, "Speed", swap=True)
    payload = swapped.pack({"Speed": np.array([12.34])}, np.arange(1))[0].tobytes()
    assert payload[:2] == (1234).to_bytes(2, "little")
    little = misread(layouts()["SteerFeedback"], "Angle", swap=True)
    assert little.pack({"Angle": np.array([-12.3])}, np.arange(1))[0].tobytes()[:2] == b"\xff\x85"
    scaled = misread(described, "MotorSpeed", factor=Fraction(12))
    payload = scaled.pack({"MotorSpeed": np.array([1200.0])}, np.arange(1))[0].tobytes()
    assert described.read(payload, "MotorSpeed") == 100
    with pytest.raises(UsageError, match=r"There is no signal DriveFeedback\.Velocity"):
        misread(described, "Velocity", swap=True)
    with pytest.raises(UsageError, match="cannot be swapped"):
        misread(described, "Gear", swap=True)
