"""Python for the browser: a distribution folder, every file of it checked before it goes into a site.

The distribution's own lock file has the hashes of its packages. It has none of the interpreter's files; those of the
releases that were tried stand in ``labkit/data/site/runtimes.toml``, with that of the lock file itself.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from labkit.core.errors import InputError
from labkit.core.files import read_bytes

LOCK = "pyodide-lock.json"
LARGEST_FILE = 64 << 20
PACKAGES = ("numpy",)
"""Of the distribution; everything else that the pages need is Python alone and comes from the installation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Runtime:
    """A checked distribution.

    Attributes
    ----------
    version : str
    files : mapping of str to bytes
        By name.
    """

    version: str
    files: Mapping[str, bytes]


def read_runtime(folder: Path) -> Runtime:
    """Read a distribution folder.

    Raises
    ------
    InputError
        If a file is missing or is not what the lock file, or the list of releases, says it is.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; --runtime takes a folder with {LOCK} and the files it names")
    lock_bytes = read_bytes(folder / LOCK, largest=LARGEST_FILE)
    try:
        lock = json.loads(lock_bytes)
        version, packages = str(lock["info"]["version"]), lock["packages"]
        wanted = [packages[name] for name in _with_needs(PACKAGES, packages)]
        hashes = {str(each["file_name"]): str(each["sha256"]) for each in wanted}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(f"{folder / LOCK}: is not the lock file of a distribution ({error!r})") from None
    releases = known_releases()
    if version not in releases:
        raise InputError(
            f"{folder / LOCK}: is of version {version[:20]}; the pages were tried with {', '.join(releases)}. "
            "Take one of these"
        )
    files = {name: _checked(folder, name, wanted) for name, wanted in {**releases[version], **hashes}.items()}
    return Runtime(version=version, files=files)


def known_releases() -> dict[str, dict[str, str]]:
    """Return the SHA-256 of the interpreter's files, by release and name."""
    text = (resources.files("labkit") / "data" / "site" / "runtimes.toml").read_text(encoding="utf-8")
    return {str(release["version"]): dict(release["files"]) for release in tomllib.loads(text)["release"]}


def _with_needs(names: tuple[str, ...], packages: Mapping[str, Mapping[str, list[str]]]) -> list[str]:
    """Packages, and before each of them what it depends on."""
    found: dict[str, None] = {}
    for name in names:
        found.update(dict.fromkeys((*_with_needs(tuple(packages[name]["depends"]), packages), name)))
    return list(found)


def _checked(folder: Path, name: str, sha256: str) -> bytes:
    if "/" in name or "\\" in name:
        raise InputError(f"{folder / LOCK}: names a file outside its folder: {name[:80]!r}")
    content = read_bytes(folder / name, largest=LARGEST_FILE)
    found = hashlib.sha256(content).hexdigest()
    if found != sha256:
        raise InputError(
            f"{folder / name}: is not the file of this distribution: its SHA-256 begins with {found[:12]}, "
            f"and {sha256[:12]} is due. Fetch it again"
        )
    return content
