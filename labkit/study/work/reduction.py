"""A long study as a reduction over chunks: watched, stopped between two chunks, recorded, and gone on with."""

from __future__ import annotations

import hashlib
import io
import json
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from labkit.core.errors import InputError
from labkit.core.files import write_atomically
from labkit.study.work.work import Watch, Watcher, Workers, run_chunks

State = dict[str, np.ndarray]
PartT = TypeVar("PartT")


def reduce_chunks(
    task: Callable[[int], PartT],
    total: int,
    state: State,
    merge: Callable[[State, PartT], State],
    *,
    fingerprint: str,
    workers: Workers = None,
    watcher: Watcher | None = None,
    stop: Callable[[], bool] | None = None,
    record: Path | None = None,
) -> tuple[State, bool]:
    """Return the state after all chunks, merged in their order, and whether all were done.

    Parameters
    ----------
    task : callable
        ``task(number)`` gives the part of one chunk; picklable where other processes are to run it.
    total : int
        Number of chunks.
    state : dict of str to ndarray
        Before the first chunk.
    merge : callable
        ``merge(state, part)`` gives the next state.
    fingerprint : str
        What the study is; a record of another one is refused.
    workers : int, Executor or None
        As in `labkit.study.work.work.run_chunks`; does not change the result.
    watcher : callable, optional
        Told how far the study is.
    stop : callable, optional
        Asked after every chunk; True ends the study with what is done (and recorded).
    record : Path, optional
        File to go on from after an interruption; removed when the study is complete.

    Raises
    ------
    InputError
        If ``record`` belongs to another study or cannot be read.
    """
    checkpoint = None if record is None else Checkpoint(record, fingerprint)
    start = 0
    if checkpoint is not None and (saved := checkpoint.load()) is not None:
        start, state = saved
    watch, done, complete = Watch(watcher, total, start), start, True
    chunks = run_chunks(task, total, start=start, workers=workers)
    try:
        for number, part in chunks:
            state = merge(state, part)
            done = number + 1
            watch.tell(done)
            if checkpoint is not None:
                checkpoint.save_now_and_then(done, state)
            if stop is not None and done < total and stop():
                complete = False
                break
    except BaseException:
        if checkpoint is not None and done > start:
            checkpoint.save(done, state)
        raise
    finally:
        chunks.close()  # type: ignore[attr-defined]
    if checkpoint is not None:
        if complete:
            checkpoint.remove()
        else:
            checkpoint.save(done, state)
    return state, complete


EVERY_S = 2.0
"""Seconds between two savings."""

_HEADER = "header"


class Checkpoint:
    """One file that follows one study: whole at any moment, so that a study that was killed goes on from there.

    The file is an ``.npz`` archive of plain arrays with a line of JSON; nothing in it is ever executed.

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
    """Return a short text that changes when anything of a study changes, however briefly a thing describes itself.

    >>> fingerprint({"seed": 1}) == fingerprint({"seed": 1}), fingerprint({"seed": 1}) == fingerprint({"seed": 2})
    (True, False)
    """
    digest = hashlib.sha256()
    for thing in things:
        digest.update(json.dumps(thing, sort_keys=True, default=_whole).encode())
    return digest.hexdigest()[:32]


def _whole(thing: Any) -> Any:
    """Everything that a thing holds: a rig's own text leaves most of it out."""
    if is_dataclass(thing) and not isinstance(thing, type):
        return [type(thing).__name__, {each.name: getattr(thing, each.name) for each in fields(thing)}]
    if isinstance(thing, Mapping):
        return dict(thing)
    return thing.tolist() if isinstance(thing, np.ndarray) else repr(thing)
