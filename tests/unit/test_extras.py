"""Libraries that are extras: told when they are absent, and kept from slowing other starts."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import UsageError
from canmap.frames.readers import open_captures

if TYPE_CHECKING:
    from pathlib import Path


def test_python_can_does_not_import_asammdf(tmp_path: Path) -> None:
    """With a package of that name on the path, whose import would show."""
    (tmp_path / "asammdf.py").write_text("raise SystemExit('asammdf was imported')\n")
    program = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n"
        "from canmap.base.extras import python_can\n"
        "assert python_can().Message\n"
        "assert 'asammdf' not in sys.modules\n"
        "import asammdf\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr.strip()) == (1, "asammdf was imported")


def test_an_absent_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "polars", None)
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1" + bytes(100))
    source = open_captures([str(path)])
    with pytest.raises(UsageError, match=r"pip install 'canmap\[tables\]'"):
        list(source.pieces())
    source.close()
