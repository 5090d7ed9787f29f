"""Where a long study stands, in a file that is whole at any moment: killed and started again, it goes on from there.

The file is an ``.npz`` archive of plain arrays with a line of JSON; nothing in it is ever executed.
"""

from __future__ import annotations

import hashlib
import io
import json
import time
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.files import write_atomically

EVERY_S = 2.0
"""Seconds between two savings."""

_HEADER = "header"


class Checkpoint:
    """One file that follows one study.

    Parameters
    ----------
    path : Path
    fingerprint : str
        What the study is, from `fingerprint`; a file of another study is refused.
    every_s : float, optional
        Seconds between two savings; `EVERY_S` where left out.
    """

    def __init__(self, path: Path, fingerprint: str, every_s: float | None = None) -> None:
        self.path = path
        self.fingerprint = fingerprint
        self.every_s = EVERY_S if every_s is None else every_s
        self.last = time.monotonic()

    def load(self) -> tuple[int, dict[str, np.ndarray]] | None:
        """Return the number of chunks done and the state after them; None where there is no file.

        Raises
        ------
        InputError
            If the file is damaged or belongs to another study.
        """
        if not self.path.exists():
            return None
        try:
            with np.load(io.BytesIO(self.path.read_bytes()), allow_pickle=False) as archive:
                header = json.loads(str(archive[_HEADER]))
                state = {name: archive[name] for name in archive.files if name != _HEADER}
        except (OSError, ValueError, KeyError, zipfile.BadZipFile, EOFError) as error:
            raise InputError(
                f"{self.path}: cannot be read as the record of a study ({error}); remove it to start again"
            ) from None
        if header.get("fingerprint") != self.fingerprint:
            raise InputError(
                f"{self.path}: belongs to another study (other sheet, seed, count or options); give another file, or "
                "remove it to start again"
            )
        return int(header["done"]), state

    def save(self, done: int, state: Mapping[str, np.ndarray]) -> None:
        """Write how far the study is."""
        buffer = io.BytesIO()
        header = json.dumps({"fingerprint": self.fingerprint, "done": done})
        np.savez(buffer, **{_HEADER: np.array(header)}, **state)  # type: ignore[arg-type]
        write_atomically(self.path, buffer.getvalue(), overwrite=True)
        self.last = time.monotonic()

    def save_now_and_then(self, done: int, state: Mapping[str, np.ndarray]) -> None:
        """Write if the last writing is long enough ago."""
        if time.monotonic() - self.last >= self.every_s:
            self.save(done, state)

    def remove(self) -> None:
        """Remove the file of a finished study."""
        self.path.unlink(missing_ok=True)


def fingerprint(*things: Any) -> str:
    """Return a short text that changes when anything of a study changes.

    >>> fingerprint({"seed": 1}) == fingerprint({"seed": 1}), fingerprint({"seed": 1}) == fingerprint({"seed": 2})
    (True, False)
    """
    digest = hashlib.sha256()
    for thing in things:
        digest.update(json.dumps(thing, sort_keys=True, default=repr).encode())
    return digest.hexdigest()[:32]
