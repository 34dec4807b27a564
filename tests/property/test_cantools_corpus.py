"""Every DBC in the source package of cantools: decoded as cantools does, mended where it is noted.

Fetch the files with `python tests/fetch_sources.py`.
"""

from __future__ import annotations

import os
import random
import re
import warnings
from typing import TYPE_CHECKING

import cantools
import pytest

from canmap.mapping.description.load import load_description
from canmap.signals.plan import DecodePlan
from canmap.signals.reference import decode
from tests.decoding import Frame, by_frame, compare, run
from tests.fetch_sources import descriptions

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = descriptions()
FILES = sorted(FOLDER.glob("*.[dD][bB][cC]")) if FOLDER.is_dir() else []

# What is mended in a file or left out of it, by line: read off the files themselves.
REPAIRED = {
    "incorrect-sig_valtype.dbc": {45},
    "incorrect-val.dbc": {45},
    "issue_199.dbc": {45, 48, 55, 60, 63, 66, 72, 76, 82, 86, 89},
    "issue_199_extended.dbc": {45, 48, 55, 60, 63, 66, 72, 76, 82, 86, 89},
}
# The identifier of 31 bits is nobody's.
LEFT_OUT = {"issue_199_extended.dbc": {"DriverDoorStatus"}}

# Signals that are not read, and why: read off the files themselves.
DOUBTFUL = {
    "bad_message_length.dbc": {"Message1.Signal1": "does not fit, as it needs 2 bytes and the message has 1"},
    "issue_63.dbc": {
        "AFT1PSI2.HtrRes": "shares bits with MaxRes",
        "AFT1PSI2.MaxRes": "shares bits with HtrRes",
    },
}


def by_hand(path: Path) -> str:
    """Return a file with its mistakes taken out: statements about nothing, and unmarked identifiers."""

    def marked(found: re.Match[str]) -> str:
        number = int(found[2])
        if number == 0xFFFFFFFF:
            number = 0x9FFFFFFE
        return f"{found[1]} {number | 0x80000000 if number > 0x7FF else number} "

    lines = path.read_text("cp1252").splitlines()
    if path.name.startswith("incorrect"):
        del lines[44]
    return re.sub(r"^(BO_|VAL_) (\d+) ", marked, "\n".join(lines), flags=re.MULTILINE)


def test_the_files_are_there() -> None:
    if not FILES:
        if os.environ.get("CANMAP_SOURCES") == "1":
            pytest.fail(f"no descriptions in {FOLDER}; run python tests/fetch_sources.py")
        pytest.skip("the source package of cantools was not fetched (python tests/fetch_sources.py)")
    assert REPAIRED.keys() <= {path.name for path in FILES}
    assert len(FILES) > 80


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_a_description_is_decoded_as_cantools_does(path: Path) -> None:
    description = load_description(str(path))
    assert {repair.line for repair in description.repairs} == REPAIRED.get(path.name, set())
    assert description.left_out.keys() == LEFT_OUT.get(path.name, set())
    doubtful = {
        f"{message.name}.{one.signal.name}": one.why
        for message in description.messages
        for one in message.doubtful
    }
    assert doubtful == DOUBTFUL.get(path.name, {})
    plan = DecodePlan.build([("drive", description)])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # not ours to judge
        text = by_hand(path) if path.name in REPAIRED else None
        database = (
            cantools.database.load_string(text, "dbc")
            if text
            else cantools.database.load_file(path, strict=path.name not in DOUBTFUL)
        )
    chance = random.Random(path.name)
    messages = [message for message in description.messages for _ in range(65)]
    frames: list[Frame] = [
        (message.can_id, message.extended, chance.randbytes(length % 65))
        for length, message in enumerate(messages)
    ]
    result = by_frame(plan, run(plan, frames), len(frames))
    theirs = {
        (message.frame_id, message.is_extended_frame): message
        for message in database.messages
        if message.name not in description.left_out
    }
    assert {(message.can_id, message.extended) for message in description.messages} == theirs.keys()
    for message, (can_id, extended, payload), ours in zip(messages, frames, result, strict=True):
        assert {name: raw for name, (raw, _) in ours.items()} == decode(message, payload)
        compare(ours, theirs[can_id, extended], payload)
