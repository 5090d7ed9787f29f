"""Files that are either whole or not there: reading with limits, writing by rename."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from labkit.core.errors import InputError

LARGEST_TEXT = 1 << 20
"""Bytes. No sheet written by a person comes near; larger files are refused before they are read."""


def read_text(path: Path, *, largest: int = LARGEST_TEXT) -> str:
    """Read a UTF-8 text file of bounded size.

    Raises
    ------
    InputError
        If the file is missing, a folder, not readable, too large, or not text.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError(f"{path}: is a folder; a file is due here")
        if size > largest:
            raise InputError(
                f"{path}: has {size / 1e6:.1f} MB; at most {largest / 1e6:.1f} MB is read here. Is it the right file?"
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: no such file{_nearby(path)}") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not a text file (not UTF-8); was it exported in another format?") from None
    if "\0" in text:
        raise InputError(f"{path}: is not a text file (it holds binary data)")
    return text


def write_atomically(path: Path, data: bytes | str, *, overwrite: bool = False) -> None:
    """Write a file so that it is either whole or untouched.

    The data go to a temporary file beside the target, are flushed to the disk, and take its place by rename.

    Parameters
    ----------
    path : Path
    data : bytes or str
        Text is written as UTF-8.
    overwrite : bool
        Allow an existing file to be replaced.

    Raises
    ------
    InputError
        If the file exists and ``overwrite`` is False, or the folder cannot be written to.
    """
    if path.exists() and not overwrite:
        raise InputError(f"{path}: exists already; choose another name or give --force to overwrite it")
    content = data.encode() if isinstance(data, str) else data
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent or Path("."), prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        if overwrite:
            os.replace(temporary, path)
        else:
            try:
                os.link(temporary, path)
            except FileExistsError:
                raise InputError(
                    f"{path}: was written by somebody else meanwhile; give --force to overwrite it"
                ) from None
            except OSError:
                os.replace(temporary, path)
                temporary = None
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from None
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _nearby(path: Path) -> str:
    import difflib

    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f"; the folder {path.parent} does not exist" if not path.parent.exists() else ""
    near = difflib.get_close_matches(path.name, names, n=1)
    return f". Did you mean '{near[0]}'?" if near else ""
