"""Results as tables of other libraries: a pandas DataFrame or an xarray Dataset, where those libraries are installed,
and what CSVW says beside a CSV table.

labkit needs neither of the libraries. Both are imported when they are first asked for, and units stand in ``attrs``.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any
from urllib.parse import quote

import numpy as np

from labkit.core.errors import InputError


def dataframe(columns: Mapping[str, Sequence[Any] | np.ndarray], units: Mapping[str, str] | None = None) -> Any:
    """Return columns of equal length as a ``pandas.DataFrame``.

    Parameters
    ----------
    columns : mapping of str to sequence
    units : mapping of str to str, optional
        By the name of the column, kept in ``attrs["units"]``.

    Raises
    ------
    InputError
        If pandas is not installed.
    """
    frame = _library("pandas", "to_dataframe").DataFrame(dict(columns))
    frame.attrs["units"] = dict(units or {})
    return frame


def dataset(
    variables: Mapping[str, tuple[Sequence[str], Any, str]],
    coordinates: Mapping[str, tuple[Any, str]],
    *,
    name: str = "",
) -> Any:
    """Return arrays with named axes as an ``xarray.Dataset``.

    Parameters
    ----------
    variables : mapping of str to (names of axes, values, unit)
    coordinates : mapping of str to (values, unit)
        One for each axis that has places; the others count from 0.
    name : str
        Kept in ``attrs["name"]``.

    Raises
    ------
    InputError
        If xarray is not installed.
    """
    made = _library("xarray", "to_xarray").Dataset(
        {key: (tuple(axes), np.asarray(values), _unit(unit)) for key, (axes, values, unit) in variables.items()},
        coords={key: (key, np.asarray(values), _unit(unit)) for key, (values, unit) in coordinates.items()},
    )
    made.attrs["name"] = name
    return made


def _unit(unit: str) -> dict[str, str]:
    return {"units": unit} if unit else {}


def _library(name: str, method: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        raise InputError(f"{method}() needs {name}, which is not installed here; pip install {name}") from None


_UNITS_BY_ENDING = {
    "hz": "Hz",
    "db": "dB",
    "deg": "°",
    "ohm": "Ω",
    "h": "H",
    "f": "F",
    "m": "m",
    "t": "T",
    "s": "s",
    "v": "V",
}


def csv_metadata(text: str, name: str, units: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Return the columns of a table, with their kinds and units, as the W3C's CSVW.

    Parameters
    ----------
    text : str
        The table, a line of headings first.
    name : str
        Name of its file, which lies beside the metadata.
    units : mapping of str to str, optional
        By heading, where a heading does not end in its unit.

    Source: W3C, Metadata Vocabulary for Tabular Data (2015), 5.3 to 5.6; the unit is schema.org's ``unitText``.

    >>> csv_metadata("gain_db,part\\n-1.5,tone", "x.csv")["tableSchema"]["columns"][0]
    {'titles': 'gain_db', 'datatype': 'double', 'name': 'gain_db', 'schema:unitText': 'dB'}
    """
    heads, *rows = csv.reader(io.StringIO(text))
    columns = []
    for place, head in enumerate(heads):
        cells = {row[place] for row in rows if place < len(row) and row[place]}
        column = {"titles": head, "datatype": _csv_kind(cells)}
        if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_]*", head):
            column["name"] = head
        before, _, ending = head.rpartition("_")
        unit = (_UNITS_BY_ENDING.get(ending) if before else None) or (units or {}).get(head)
        if unit:
            column["schema:unitText"] = unit
        columns.append(column)
    return {"@context": "http://www.w3.org/ns/csvw", "url": quote(name), "tableSchema": {"columns": columns}}


_ZEROS_FIRST = re.compile("0[0-9]")
"""Begins a serial number, which is no number: 0107 is not 107."""


def _csv_kind(cells: set[str]) -> str:
    if cells and cells <= {"true", "false"}:
        return "boolean"
    try:
        is_number = cells and all(math.isfinite(float(cell)) and not _ZEROS_FIRST.match(cell) for cell in cells)
        return "double" if is_number else "string"
    except ValueError:
        return "string"
