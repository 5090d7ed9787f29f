"""A long study as a reduction over chunks: watched, stopped between two chunks, recorded, and gone on with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

from labkit.study.work.checkpoint import Checkpoint
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
