"""Fetch the description files that the suite of cantools is tested on: python tests/fetch_sources.py.

They come from the source package of the version that is installed, once, into .cache/sources/. Tests that
need them are skipped while they are absent, unless the environment variable CANMAP_SOURCES is 1.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from importlib.metadata import version
from pathlib import Path, PurePosixPath

SOURCES = Path(__file__).parents[1] / ".cache" / "sources"
_FOLDER = ("tests", "files", "dbc")


def descriptions() -> Path:
    """Return the folder of the description files of the cantools version that is installed."""
    return SOURCES / f"cantools-{version('cantools')}"


def main() -> None:
    """Download and unpack, unless that was done before."""
    target = descriptions()
    if target.is_dir():
        print(f"{target} is there already")
        return
    with tempfile.TemporaryDirectory() as folder:
        package = f"cantools=={version('cantools')}"
        pip = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:", "--dest", folder]
        subprocess.run([*pip, package], check=True)
        (archive,) = Path(folder).glob("cantools-*.tar.gz")
        files = unpack(archive, Path(folder) / "unpacked")
        target.parent.mkdir(parents=True, exist_ok=True)
        files.rename(target)
    print(f"{len(list(target.iterdir()))} files in {target}")


def unpack(archive: Path, target: Path) -> Path:
    """Write the description files in `archive` to the folder `target` and return it."""
    target.mkdir()
    with tarfile.open(archive) as package:
        for member in package:
            place = PurePosixPath(member.name)
            content = package.extractfile(member) if member.isfile() else None
            if content and place.parts[1:-1] == _FOLDER:
                (target / place.name).write_bytes(content.read())
    return target


if __name__ == "__main__":
    main()
