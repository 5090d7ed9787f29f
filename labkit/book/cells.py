"""Cells of a batch's table as typed: the columns there are, header words, separators, decimal marks, units.

What is typed is kept; a value is only understood, and where a text can be read in two ways somebody is asked.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from labkit.book.records import MARKS, QUANTITIES, LcrModel, MeterKind
from labkit.core.errors import InputError, did_you_mean
from labkit.core.units import UNITS, format_quantity, parse_quantity

LARGEST = 1e9
"""Of turns, Q, D or marks, as a sanity limit; its inverse is the smallest."""

DecimalMark = Literal[".", ","]

OPEN_WORDS = ("open", "ol", "o.l", "o.l.", "∞", "inf")
"""What a meter, or a winder, says of a coil that reads open."""

NOTHING = ("", "-", "–", "—", "n/a", "na")
"""What stands in a cell where nothing was read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnKind:
    """What a column of the table may hold.

    ``names`` are what headings of spreadsheets call it, the first being ours; ``quantity`` what is read, empty for what
    is no reading; ``meter`` the kind of meter that reads it.
    """

    names: tuple[str, ...]
    quantity: str = ""
    meter: MeterKind | None = None
    model: LcrModel | None = None
    unit: str = ""


COLUMNS: Mapping[str, ColumnKind] = MappingProxyType(
    {
        "serial": ColumnKind(names=("serial", "number", "no", "no.", "s/n", "#", "serial number")),
        "ohms": ColumnKind(
            names=("ohms", "ohm", "resistance", "r", "dcr", "dc resistance"), quantity="resistance", meter="ohms"
        ),
        "henries": ColumnKind(names=("henries", "henry", "inductance", "l", "ls"), quantity="inductance", meter="lcr"),
        "henries, parallel": ColumnKind(
            names=("henries, parallel", "lp"), quantity="inductance", meter="lcr", model="parallel"
        ),
        "loss": ColumnKind(names=("loss", "series resistance", "rs", "esr"), quantity="loss_resistance", meter="lcr"),
        "Q": ColumnKind(names=("Q", "quality"), quantity="quality", meter="lcr"),
        "D": ColumnKind(names=("D", "dissipation", "tan δ"), quantity="quality", meter="lcr"),
        "farads": ColumnKind(names=("farads", "farad", "capacitance", "c"), quantity="capacitance", meter="lcr"),
        "peak": ColumnKind(names=("peak", "resonance", "f"), quantity="peak", meter="sweep"),
        "height": ColumnKind(names=("height", "height of the peak"), quantity="height", meter="sweep"),
        "field": ColumnKind(names=("field", "b", "gauss", "marks"), quantity="field", meter="field"),
        "turns": ColumnKind(names=("turns", "turns counted", "counter"), unit="1"),
        "build-up": ColumnKind(names=("build-up", "build up"), unit="mm"),
        "note": ColumnKind(names=("note", "notes", "remark", "remarks")),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryValue:
    """What a cell was understood as: the column, the value in SI (or marks, or turns), and the text as typed."""

    column: str
    value: float
    unit: str
    text: str
    insists: bool = False

    @property
    def words(self) -> str:
        """The value as people write it."""
        if math.isinf(self.value):
            return "open"
        if self.unit in UNITS and self.unit != "1":
            return format_quantity(self.value, self.unit, digits=4)
        return f"{self.value:g}"


def typed_header(cells: list[str]) -> tuple[tuple[str, str], ...] | None:
    """Return the columns that a row of words names, each with its unit (empty where not stated); None for no header.

    Raises
    ------
    InputError
        If it is a header, but a word in it names no column.
    """
    names = {name.casefold(): key for key, kind in COLUMNS.items() for name in kind.names}
    found: list[tuple[str, str]] = []
    unknown = ""
    for cell in cells:
        bare = re.sub(r"\s*[\[(].*[\])]\s*$", "", cell).strip().casefold()
        unit = re.search(r"[\[(]\s*(.*?)\s*[\])]\s*$", cell)
        if bare not in names:
            unknown = unknown or cell
            continue
        found.append((names[bare], unit[1] if unit else ""))
    if not found or (unknown and any(re.search(r"\d", cell) for cell in cells)):
        return None
    if unknown:
        raise InputError(f"column '{unknown}' is none that a batch has.{did_you_mean(unknown, names)}")
    twice = next((key for key, count in Counter(key for key, _ in found).items() if count > 1), None)
    if twice:
        raise InputError(f"column '{twice}' stands twice; enter repeats as another row of the same serial number")
    return tuple(found)


def split_rows(text: str) -> tuple[list[list[str]], DecimalMark | None]:
    """Split a pasted table into rows of cells; return them with the decimal mark that its numbers show, if they do.

    >>> split_rows("0114\t5,91\t2,213")
    ([['0114', '5,91', '2,213']], ',')
    """
    lines = [line for line in text.replace("\r", "").split("\n") if line.strip()]
    tabs, semicolons = any("\t" in line for line in lines), any(";" in line for line in lines)
    mark = "\t" if tabs else ";" if semicolons else "," if any("," in line for line in lines) else None
    if mark is None:
        rows = [line.split() for line in lines]
    else:
        rows = [
            [cell.strip().strip("\u00a0\u202f") for cell in row]
            for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=mark)
        ]
    if mark == ",":
        return rows, "."
    shown: set[DecimalMark] = set()
    seen: set[str] = set()
    for number in (found for row in rows for cell in row if (found := re.match(r"[+\-−]?\d[\d.,]*", cell))):
        marks = re.findall(r"[.,]", number[0])
        seen.update(marks)
        after = number[0].rpartition(marks[-1])[2] if marks else ""
        is_decimal = len(set(marks)) == 2 or (len(marks) == 1 and len(after) != 3) or number[0].startswith("0,")
        if is_decimal or number[0].startswith("0."):
            shown.add("," if marks[-1] == "," else ".")
    if not shown and seen == {"."}:
        return rows, "."
    return rows, shown.pop() if len(shown) == 1 else None


def next_serial(serial: str) -> str:
    """Return the number that follows, of as many digits; the same text where it does not end in one.

    >>> next_serial("0099"), next_serial("B-9"), next_serial("first")
    ('0100', 'B-10', 'first')
    """
    found = re.search(r"\d+$", serial)
    if found is None:
        return serial
    return f"{serial[: found.start()]}{int(found[0]) + 1:0{len(found[0])}d}"


def understood_cell(column: str, text: str, unit: str, decimal: DecimalMark | None) -> EntryValue:
    """Return what a cell says.

    Parameters
    ----------
    column : str
        A key of `COLUMNS`, of numbers.
    text : str
        As typed; a mark of exclamation at its end insists on the value.
    unit : str
        Of a number without one.
    decimal : "." or "," or None
        The decimal mark of the table, where it is known.

    Raises
    ------
    InputError
        If it is no such quantity, ambiguous, or not above 0.
    """
    kind = COLUMNS[column]
    insists = text.endswith("!")
    plain = text.rstrip("!").strip()
    if plain.casefold() in OPEN_WORDS:
        if column != "ohms":
            raise InputError(f"'{text}' is no {column}; leave the cell empty where nothing was read")
        return EntryValue(column=column, value=math.inf, unit="Ω", text=text)
    si = QUANTITIES[kind.quantity].unit if kind.quantity else {"turns": "1", "build-up": "m"}[column]
    if unit == MARKS or column in ("turns", "Q", "D"):
        value = _bare(_pointed(plain, column, unit, decimal))
        unit = MARKS if unit == MARKS else "1"
        if not value > 0:
            raise InputError(f"must be above 0; got '{text}'")
        value = 1 / value if column == "D" else value
        return EntryValue(column=column, value=value, unit=unit, text=text, insists=insists)
    pointed = _pointed(plain, column, unit, decimal)
    if re.fullmatch(r"[+\-−]?[\d.]+(?:[eE][+\-]?\d+)?", pointed):
        value = parse_quantity(f"{pointed} {unit}", si)
    else:
        value = parse_quantity(pointed, si)
    if not (value > 0 or column == "height"):
        raise InputError(f"must be above 0; got '{text}'")
    return EntryValue(column=column, value=value, unit=si, text=text, insists=insists)


def _pointed(text: str, column: str, unit: str, decimal: DecimalMark | None) -> str:
    """Return a number with a decimal point, by the mark of the table, else by the only reading that can be."""
    number = re.match(r"[+\-−]?\d[\d.,'\u00a0\u202f ]*\d|[+\-−]?\d", text)
    marks = re.findall(r"[.,]", number[0]) if number else []
    if number and len(marks) == 1 and len(number[0].rpartition(marks[0])[2]) != 3:
        return text.replace(",", ".").replace("−", "-")  # no thousands mark stands there, whatever the table's mark is
    if number is None or "," not in number[0]:
        return text.replace("−", "-") if decimal != "," or number is None else _with_thousands(text, number[0], ".")
    if decimal is not None:
        return _with_thousands(text, number[0], "." if decimal == "," else ",")
    whole, _, part = number[0].rpartition(",")
    if len(part) != 3 or whole.lstrip("+-−") in ("", "0"):
        return text.replace(",", ".")
    usual = QUANTITIES[COLUMNS[column].quantity].usual if COLUMNS[column].quantity else None
    readings = [_with_thousands(text, number[0], ","), text.replace(",", ".")]
    if usual is not None and unit in _spellings(QUANTITIES[COLUMNS[column].quantity].unit):
        si = QUANTITIES[COLUMNS[column].quantity].unit
        possible = []
        for each in readings:
            bare = re.fullmatch(r"[\d.]+", each)
            value = parse_quantity(f"{each} {unit}" if bare else each, si)
            if usual.low <= value <= usual.high:
                possible.append(each)
        if len(possible) == 1:
            return possible[0]
    raise InputError(f"'{text}' is ambiguous: is the comma a decimal or a thousands mark? Write a point, or a prefix")


def _bare(text: str) -> float:
    try:
        value = float(text.replace("−", "-"))
    except ValueError:
        raise InputError(f"must be a plain number; got '{text[:40]}'") from None
    if not 1 / LARGEST <= abs(value) <= LARGEST:
        raise InputError(f"must be a number that a meter shows; got '{text[:40]}'")
    return value


def _with_thousands(text: str, number: str, mark: str) -> str:
    """Return a text whose number has thousands marks, and perhaps the other one as its decimal, with a point."""
    other = "," if mark == "." else "."
    plain = number.replace(mark, "").replace(other, ".").replace("−", "-")
    return text.replace(number, re.sub(r"['\u00a0\u202f ]", "", plain), 1)


def _spellings(unit: str) -> tuple[str, ...]:
    return tuple(f"{prefix}{unit}" for prefix in ("", "k", "M", "m", "µ", "n", "p"))
