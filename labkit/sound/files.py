"""Sound files and folders that are whole or absent, and long work that can say how far it is and be stopped.

Text and small files go through `labkit.core.files`; this is for what is written piece by piece.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from labkit.core.errors import InputError, LabkitError
from labkit.core.files import checked_target, put_in_place

Progress = Callable[[float], None]
"""Called with the fraction done, 0 … 1; it may raise `Cancelled` to stop the work."""


class Cancelled(LabkitError):  # noqa: N818 - it is a request, not a fault
    """Work was stopped on request; nothing was left behind."""


def no_progress(fraction: float) -> None:
    """Ignore progress."""


@contextmanager
def whole_file(path: Path, *, force: bool = False) -> Iterator[Path]:
    """Yield a temporary path beside ``path``; it takes the name ``path`` when the block ends well, else it vanishes.

    Raises
    ------
    InputError
        If ``path`` exists and ``force`` is false, or its folder cannot be written to.
    """
    path = check_target(path, force=force)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield temporary
        put_in_place(temporary, path, overwrite=force)
    except OSError as problem:
        raise InputError(f"cannot write {path}: {problem.strerror or problem}") from None
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Yield a temporary folder that takes the name ``path`` when the block ends well, else it vanishes.

    Raises
    ------
    InputError
        If ``path`` exists, or cannot be made.
    """
    if path.exists():
        raise InputError(f"{path} exists already; choose another folder")
    check_target(path, force=False)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        temporary.mkdir()
        yield temporary
        os.replace(temporary, path)
    except OSError as problem:
        raise InputError(f"cannot write {path}: {problem.strerror or problem}") from None
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def check_target(path: Path, *, force: bool) -> Path:
    """Return where ``path`` may be written; InputError unless its folder exists and nothing is overwritten unasked."""
    path = checked_target(path, overwrite=force)
    if not path.parent.is_dir():
        raise InputError(f"the folder {path.parent} does not exist")
    return path
