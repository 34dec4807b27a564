"""Checksums on the command line: right on every demo capture, wrong in the spec, of a misspelt profile."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING, Any

import pytest

from tests.e2e.shell import CART, ROOT, canmap

if TYPE_CHECKING:
    from pathlib import Path

PROTECTED = 8  # messages of the cart


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    """The cart's spec, to be changed."""
    shutil.copytree(ROOT / "specs" / "orchard_cart", tmp_path / "specs" / "orchard_cart")
    shutil.copytree(ROOT / "shared", tmp_path / "shared")
    return tmp_path / "specs" / "orchard_cart" / "cart.yaml"


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 2  # the second is that of a copy, which stays as it is
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def inspected(capture: str, spec: Path | str) -> dict[str, Any]:
    return json.loads(canmap("inspect", f"captures/{capture}.log", "--spec", spec, "--json", "-").stdout)


def checksums(result: dict[str, Any]) -> list[dict[str, Any]]:
    return [message["checksum"] for message in result["messages"] if "checksum" in message]


@pytest.mark.parametrize("capture", ["clean_drive", "stop_pressed", "day_one"])
def test_the_checksums_of_a_demo_capture_are_right(capture: str) -> None:
    result = inspected(capture, CART)
    assert [finding["text"] for finding in result["findings"] if finding["kind"] == "checksum"] == []
    known = checksums(result)
    assert len(known) == PROTECTED
    assert all(one["wrong"] == 0 and one["frames"] > 0 for one in known)
    assert all(one["confirmed"] for one in known if one["different_payloads"] >= 20)


def test_a_wrong_data_identifier_is_one_finding_in_the_json_and_on_the_screen(cart: Path) -> None:
    change(cart, "data_id: 0x0101", "data_id: 0x0107")
    result = inspected("clean_drive", cart)
    (finding,) = [finding for finding in result["findings"] if finding["kind"] == "checksum"]
    assert (finding["message"], finding["signal"], finding["severity"]) == (
        "SteerFeedback",
        "Checksum",
        "error",
    )
    assert finding["facts"]["reason"] == "wrong_spec"
    assert finding["facts"]["likely"] == ["data_id", "data_id_mode"]
    assert sum(not one["confirmed"] for one in checksums(result) if one["different_payloads"] >= 20) == 1
    screen = canmap("inspect", "captures/clean_drive.log", "--spec", cart)
    assert screen.returncode == 1
    assert " ".join(screen.stdout.split()).count("is not what the spec says (E2E P01, line 14)") == 1


def test_a_profile_that_does_not_exist_is_an_error_at_its_line_with_the_nearest_one(cart: Path) -> None:
    change(cart, "profile: E2E P01, data_id: 0x0101", "profile: E2E P1, data_id: 0x0101")
    done = canmap("inspect", "captures/clean_drive.log", "--spec", cart)
    assert done.returncode == 2
    assert "cart.yaml:14:" in done.stderr
    assert "`E2E P1` is not a profile of checksums; did you mean `E2E P" in " ".join(done.stderr.split())
