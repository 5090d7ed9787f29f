"""From what a person wrote, the path of a sheet or a name in the catalogue, to the sheet."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from labkit.catalogue.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.sheet import Table, read_sheet

NETLIST_SUFFIXES = (".cir", ".net", ".sp", ".spice", ".ckt")
"""Names of files that hold a netlist, not a sheet."""

_READS_FILES: ContextVar[bool] = ContextVar("reads_files", default=True)


@contextmanager
def catalogue_only() -> Iterator[None]:
    """Let names mean items of the catalogue alone: for a sheet from a browser, which sends one file and no folder.

    What such a sheet calls by a path lies on the machine that reads it, which is none of the sender's business.
    """
    before = _READS_FILES.set(False)
    try:
        yield
    finally:
        _READS_FILES.reset(before)


def is_path(text: str) -> bool:
    """Say whether a text looks like a file rather than a name of the catalogue.

    >>> is_path("my_rig.toml"), is_path("rigs/mine"), is_path("narrow single coil")
    (True, True, False)
    """
    return text.endswith(".toml") or "/" in text or "\\" in text


def find_sheet(sheet: str | Path, *kinds: str, also: Iterable[str] = ()) -> Table:
    """Return the sheet that a path or a name in the catalogue stands for, ready to be read.

    A file comes first; a name that holds a stroke is a path only where no item of the catalogue answers to it.

    Parameters
    ----------
    sheet : str or Path
        The path of a sheet, or the name of an item in the catalogue.
    *kinds : str
        The kinds of sheet that will do, such as ``"rig"``, the preferred first.
    also : iterable of str, optional
        Further names that would have been understood, for the hint in the message.

    Raises
    ------
    InputError
        If nothing answers to it (with the nearest name), or the file is no sheet of these kinds.

    >>> find_sheet("narrow single coil", "rig", "pickup").raw("sheet")
    'pickup'
    """
    text = str(sheet)
    found = catalogue()
    kind = next((kind for kind in kinds if text in found.names(kind)), None)
    if not _READS_FILES.get():
        if is_path(text) and kind is None:
            raise InputError(
                f"refers to the file '{text[:60]}', and a browser sends only the sheet itself; write the table in its "
                "place, or the name of an item of the catalogue"
            )
    elif text.casefold().endswith(NETLIST_SUFFIXES) and kind is None:
        raise InputError(
            f"{text}: a netlist stands for a rig (labkit response, formula, schematic, netlist, tolerance, report), "
            f"and here a {join_words(kinds, last='or')} sheet is needed, which says what a netlist does not hold"
        )
    elif os.path.isfile(text) or (is_path(text) and kind is None):
        return read_sheet(Path(text), kinds=kinds)
    if kind is None:
        known = [name for kind in kinds for name in found.names(kind)]
        wanted = join_words(kinds, last="or")
        raise InputError(
            f"'{text}' is neither a file nor a {wanted} of the catalogue.{did_you_mean(text, [*known, *also])}"
        )
    return found.item(kind, text).table()
