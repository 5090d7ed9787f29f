"""What a prediction deserves and what is not modelled: one data file, read by pages, reports and documents alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

from labkit.core.sheet import Table, parse_sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Deserved:
    """How far a kind of prediction can be trusted.

    Attributes
    ----------
    within : str
        Half-width of an interval that should hold the true value about nineteen times in twenty (2σ).
    what : tuple of str
    why : str
    """

    within: str
    what: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotModelled:
    """Something left out, what follows from that, and the models of the reference cases it concerns."""

    what: str
    so: str
    models: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Everything of the file.

    >>> limits().predictions[0].within
    '5 to 7 %'
    """

    predictions: tuple[Deserved, ...]
    not_modelled: tuple[NotModelled, ...]


@cache
def limits() -> Limits:
    """Return the limits that ship with labkit."""
    file = resources.files("labkit.cases") / "limits.toml"
    return read_limits(parse_sheet(file.read_text(encoding="utf-8"), "limits.toml", kinds=("limits",)))


def read_limits(table: Table) -> Limits:
    """Read a ``limits`` sheet.

    Raises
    ------
    SheetError
        If a key is missing, empty or unknown.
    """
    predictions, left_out = [], []
    for entry in table.tables("prediction"):
        predictions.append(Deserved(within=entry.text("within"), what=entry.texts("what"), why=entry.text("why")))
        entry.done()
    for entry in table.tables("not_modelled"):
        left_out.append(NotModelled(what=entry.text("what"), so=entry.text("so"), models=entry.texts("models")))
        entry.done()
    table.allow("sheet", "format")
    table.done()
    return Limits(predictions=tuple(predictions), not_modelled=tuple(left_out))
