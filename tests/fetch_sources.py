"""Fetch the files that cantools and python-can are tested on: python tests/fetch_sources.py.

Bus descriptions of the one and captures of the other come from the source packages of the versions that are
installed, once, into .cache/sources/. Tests that need them are skipped while they are absent, unless the
environment variable CANMAP_SOURCES is 1.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from importlib.metadata import version
from pathlib import Path, PurePosixPath

SOURCES = Path(__file__).parents[1] / ".cache" / "sources"
_FOLDERS = {"cantools": ("tests", "files", "dbc"), "python-can": ("test", "data")}


def descriptions() -> Path:
    """Return the folder of the description files of the cantools version that is installed."""
    return _place("cantools")


def captures() -> Path:
    """Return the folder of the captures of the python-can version that is installed."""
    return _place("python-can")


def _place(package: str) -> Path:
    return SOURCES / f"{package}-{version(package)}"


def main() -> None:
    """Download and unpack, unless that was done before."""
    for package, wanted in _FOLDERS.items():
        target = _place(package)
        if target.is_dir():
            print(f"{target} is there already")
            continue
        with tempfile.TemporaryDirectory() as folder:
            pip = [
                sys.executable,
                "-m",
                "pip",
                "download",
                "--no-deps",
                "--no-binary",
                ":all:",
                "--dest",
                folder,
            ]
            subprocess.run([*pip, f"{package}=={version(package)}"], check=True)
            (archive,) = Path(folder).glob("*.tar.gz")
            files = unpack(archive, Path(folder) / "unpacked", wanted)
            target.parent.mkdir(parents=True, exist_ok=True)
            files.rename(target)
        print(f"{len(list(target.iterdir()))} files in {target}")


def unpack(archive: Path, target: Path, wanted: tuple[str, ...]) -> Path:
    """Write the files in the folder `wanted` of `archive` to the folder `target` and return it."""
    target.mkdir()
    with tarfile.open(archive) as package:
        for member in package:
            place = PurePosixPath(member.name)
            content = package.extractfile(member) if member.isfile() else None
            if content and place.parts[1:-1] == wanted:
                (target / place.name).write_bytes(content.read())
    return target


if __name__ == "__main__":
    main()
