"""Files: reading with limits, writing either whole or not at all, where those that ship with labkit live, and JSON."""

from __future__ import annotations

import json
import os
import stat
import tempfile
from pathlib import Path
from typing import Any

from labkit.core.errors import InputError, LabkitError


def as_json_text(data: object) -> str:
    """Return JSON text; numbers that are not finite become null.

    >>> as_json_text({"peak": float("nan"), "values": (1.0, 2.5)})
    '{"peak": null, "values": [1.0, 2.5]}'
    """
    return json.dumps(_finite(data), ensure_ascii=False, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    if isinstance(data, float) and (data != data or data in (float("inf"), float("-inf"))):
        return None
    return data


LARGEST_TEXT = 1 << 20
"""Bytes. No sheet written by a person comes near; larger files are refused before they are read."""

_PACKAGE = Path(__file__).resolve().parents[1]


DEMO_BOOK = _PACKAGE / "data" / "demo_book"
"""The workshop book of the winding room at Saltmarsh Lane as text."""

BOOK_VARIABLE = "LABKIT_BOOK"
"""Names the file of the workshop book, for commands and pages."""

BOOK_CLOSED_VARIABLE = "LABKIT_BOOK_CLOSED"
"""Set where other machines may reach the lab, whose pages then open no book."""


def shipped_folder(name: str) -> Path:
    """Return the folder ``dashboards`` or ``reference_cases``: inside the package once installed, beside it before.

    Raises
    ------
    LabkitError
        If neither the installed package nor the checkout has it.
    """
    for folder in (_PACKAGE / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise LabkitError(f"the folder '{name}' is missing from this installation of labkit; install it again")


def shipped_sheet_folders() -> tuple[Path, Path]:
    """Return the folders of labkit's own sheets: the packaged catalogue and the reference cases."""
    return _PACKAGE / "data" / "catalogue", shipped_folder("reference_cases")


def read_bytes(path: Path, *, largest: int) -> bytes:
    """Read a file of bounded size; a pipe or a device is read up to that size, too.

    Raises
    ------
    InputError
        If the file is missing, a folder, not readable, or too large.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError(f"{path}: is a folder; a file is due here")
        data = b""
        if size <= largest:
            with path.open("rb") as file:
                data = file.read(largest + 1)  # it may have grown meanwhile, and a device has no size
        if max(size, len(data)) > largest:
            has = f"has {size / 1e6:.1f} MB" if size > largest else "goes on and on"
            raise InputError(f"{path}: {has}; at most {largest / 1e6:.1f} MB is read here. Is it the right file?")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file{_nearby(path)}") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None
    return data


def read_text(path: Path, *, largest: int = LARGEST_TEXT) -> str:
    """Read a UTF-8 text file of bounded size.

    Raises
    ------
    InputError
        If the file is missing, a folder, not readable, too large, or not text.
    """
    data = read_bytes(path, largest=largest)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not a text file (not UTF-8); was it exported in another format?") from None
    if "\0" in text:
        raise InputError(f"{path}: is not a text file (it holds binary data)")
    return text


def checked_target(path: Path, *, overwrite: bool) -> Path:
    """Return where a file of this name is to be written: the name itself, or what it links to.

    Raises
    ------
    InputError
        If the name cannot be used, stands for a folder, a device or a pipe, or for a file that is not to be
        overwritten. A device must never be replaced by a file of its name.
    """
    try:
        target = Path(os.path.realpath(path)) if path.is_symlink() else path
        mode = path.stat().st_mode
    except FileNotFoundError:
        return target
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from None
    if stat.S_ISDIR(mode):
        raise InputError(f"{path}: is a folder; name a file in it")
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is a device or a pipe, and only files are written; leave the option out to print")
    if not overwrite:
        raise InputError(f"{path}: exists already; choose another name or give --force to overwrite it")
    return target


def put_in_place(temporary: Path, path: Path, *, overwrite: bool) -> None:
    """Flush a finished file to the disk and give it its name; OSError where that cannot be done.

    Raises
    ------
    InputError
        If a file of that name has come meanwhile and ``overwrite`` is False.
    """
    with temporary.open("rb") as file:
        os.fsync(file.fileno())
    if not overwrite:
        try:
            os.link(temporary, path)
        except FileExistsError:
            raise InputError(f"{path}: was written by somebody else meanwhile; give --force to overwrite it") from None
        except OSError:
            pass  # a file system without links: the name is taken by renaming
        else:
            temporary.unlink()
            return
    os.replace(temporary, path)


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
    path = checked_target(path, overwrite=overwrite)
    content = data.encode() if isinstance(data, str) else data
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent or Path("."), prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(temporary, 0o666 & ~_umask())
        put_in_place(Path(temporary), path, overwrite=overwrite)
        temporary = None
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from None
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


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
