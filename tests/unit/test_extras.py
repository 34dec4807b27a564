"""Libraries that are extras: told when they are absent, and kept from slowing other starts."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from canmap.errors import UsageError
from canmap.frames.readers import READERS, open_captures

if TYPE_CHECKING:
    from pathlib import Path


def test_python_can_does_not_import_asammdf(tmp_path: Path) -> None:
    """With a package of that name on the path, whose import would show."""
    (tmp_path / "asammdf.py").write_text("raise SystemExit('asammdf was imported')\n")
    program = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n"
        "from canmap.extras import python_can\n"
        "assert python_can().Message\n"
        "assert 'asammdf' not in sys.modules\n"
        "import asammdf\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr.strip()) == (1, "asammdf was imported")


@pytest.mark.parametrize(
    ("library", "ending", "extra"), [("asammdf", ".mf4", "mf4"), ("polars", ".parquet", "tables")]
)
def test_an_absent_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, ending: str, extra: str
) -> None:
    assert ending in READERS
    monkeypatch.setitem(sys.modules, library, None)
    path = tmp_path / f"a{ending}"
    path.write_bytes({".mf4": b"MDF     4.10", ".parquet": b"PAR1"}[ending] + bytes(100))
    source = open_captures([str(path)])
    with pytest.raises(UsageError, match=rf"pip install 'canmap\[{extra}\]'"):
        list(source.pieces())
    source.close()


WRITE_AND_READ = """
import sys
import can
import numpy as np
from canmap.chunks import widen
from canmap.outputs.captures import _message
from tests.captures import mixed, read
frames = mixed(300)
with can.MF4Writer(sys.argv[1]) as writer:
    for i in range(len(frames)):
        writer(_message(can, frames, i, int(frames.t_ns[i]), int(frames.channel[i]) + 1))
got, expected = read(sys.argv[1]), frames.take(np.argsort(frames.t_ns, kind="stable"))
assert np.abs(got.t_ns - expected.t_ns).max() < 1000
for name in ("can_id", "extended", "kind", "flags", "length"):
    assert getattr(got, name).tolist() == getattr(expected, name).tolist(), name
assert widen(got.payload, 64).tolist() == expected.payload.tolist()
assert [got.channels[n] for n in got.channel] == [expected.channels[n] for n in expected.channel]
"""


def test_mdf_that_python_can_wrote(tmp_path: Path) -> None:
    pytest.importorskip("asammdf")
    command = [sys.executable, "-c", WRITE_AND_READ, str(tmp_path / "a.mf4")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
