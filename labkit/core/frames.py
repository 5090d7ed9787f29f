"""Results as tables of other libraries: a pandas DataFrame or an xarray Dataset, where those libraries are installed.

labkit needs neither of the two. Both are imported when they are first asked for, and units stand in ``attrs``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

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
