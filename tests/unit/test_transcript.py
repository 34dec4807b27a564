"""What a transcript tells of the captures that it was made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.api.transcribe import transcribe

if TYPE_CHECKING:
    from pathlib import Path


def test_the_first_bad_line_is_kept_and_all_are_counted(tmp_path: Path) -> None:
    capture = tmp_path / "drive.log"
    capture.write_text("(1.0) can0 100#01\nthis\nand that\n(2.0) can0 100#02\n", encoding="ascii")
    told = transcribe(str(capture), str(tmp_path / "drive.asc"))
    assert (told.frames, told.bad_lines) == (2, 2)
    assert [bad.line for bad in told.bad] == [2]
