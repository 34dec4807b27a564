"""Every capture in the source package of python-can: the same frames as python-can reads, or why not.

Fetch the files with `python tests/fetch_sources.py`.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from tests.captures import read
from tests.fetch_sources import captures
from tests.pythoncan import assert_same, by_column, by_python_can

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = captures()
FILES = (
    sorted(path for path in FOLDER.iterdir() if path.suffix in {".asc", ".blf", ".trc", ".gz"})
    if FOLDER.is_dir()
    else []
)

# Captures whose frames cannot have been on a bus: python-can passes them on, here each is a bad line.
IMPOSSIBLE = {
    "single_frame.asc": "the length code is more than one hexadecimal digit",  # d 40: a length, not its code
    "test_CanFdMessage.blf": "the identifier 4444444 has more bits than its kind of frame",
    "test_CanFdMessage64.blf": "the identifier 15555555 has more bits than its kind of frame",
    "test_CanMessage.blf": "the identifier 4444444 has more bits than its kind of frame",
    "test_CanMessage2.blf": "the identifier 4444444 has more bits than its kind of frame",
}
# Captures whose last line has no end: python-can takes it as whole, here it is told and not used.
UNENDED = {"test_CanMessage_V1_0_BUS1.trc", "test_CanMessage_V2_0_BUS1.trc", "test_CanMessage_V2_1.trc"}
# Fields in which python-can is wrong, and what they are; what it is wrong about in general is in `seen`.
WRONG = {
    # An error frame with a controller's error code: its identifier is that of the frame, not an error class.
    "test_CanErrorFrameExt.blf": {"can_id": 0, "length": 0, "payload": b""},
}


def test_the_files_are_there() -> None:
    if not FILES:
        if os.environ.get("CANMAP_SOURCES") == "1":
            pytest.fail(f"no captures in {FOLDER}; run python tests/fetch_sources.py")
        pytest.skip("the source package of python-can was not fetched (python tests/fetch_sources.py)")
    assert IMPOSSIBLE.keys() | WRONG.keys() | UNENDED <= {path.name for path in FILES}
    assert len(FILES) >= 25


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_same_frames(path: Path) -> None:
    chunk = read(path)
    if path.name in IMPOSSIBLE:
        assert len(chunk) == 0
        assert {bad.reason for bad in chunk.bad} == {IMPOSSIBLE[path.name]}
        assert chunk.bad_count == len(by_python_can(path))
        return
    unended = path.name in UNENDED
    assert [bad.truncated for bad in chunk.bad] == [True] * unended
    # python-can forgets its options when it opens a compressed capture: the plain one is the measure.
    expected = by_python_can(path.with_suffix("") if path.suffix == ".gz" else path)
    assert_same(by_column(chunk), [
        one._replace(**WRONG.get(path.name, {})) for one in expected[: len(expected) - unended]
    ])  # fmt: skip
