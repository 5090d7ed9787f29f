"""Delimited text to a table of numbers: separator, decimal mark, title rows, header and units row.

Knows nothing of sweeps: `read_table` finds the block of rows that are numbers and the words above it.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np

from labkit.core.errors import InputError

Separator = Literal["comma", "semicolon", "tab", "bar", "space"]
_MARKS: dict[str, str] = {"tab": "\t", "semicolon": ";", "bar": "|", "comma": ",", "space": " "}
_POINT = re.compile(r"[+\-−]?(?:\d{1,3}(?:,\d{3})+(?=\.)|\d+)?(?:\.\d*)?(?:[eE][+\-−]?\d+)?")
_COMMA = re.compile(r"[+\-−]?(?:\d{1,3}(?:\.\d{3})+(?=,)|\d+)?(?:,\d*)?(?:[eE][+\-−]?\d+)?")
_EMPTY = {"", "-", "--", "nan", "n/a", "na", "null", "none", "#n/a", "inf", "-inf", "ovl", "ol", "overload"}


LARGEST = 1e30
"""Numbers beyond this (or below its inverse) are no readings of anything; they are taken as missing (or zero)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberTable:
    """Numbers by row and column (NaN for an empty cell), the header words of each column, and what was noticed."""

    numbers: np.ndarray
    header: tuple[str, ...]
    broken_rows: int
    notes: tuple[str, ...]


def read_table(
    text: str, *, name: str, separator: Separator | None = None, decimal: Literal[".", ","] | None = None
) -> NumberTable:
    """Find the block of numbers in delimited text.

    Every separator is tried with both decimal marks; the pair that turns most rows into two or more numbers
    wins. Where two pairs do equally well and give different numbers, the reader asks.

    Raises
    ------
    InputError
        If there is no table of numbers, or two readings of it are equally good.
    """
    lines = [line.rstrip("\r\n") for line in text.replace("\x00", "").splitlines()]
    lines = [line for line in lines if line.strip()]
    if not lines:
        raise InputError(f"{name}: the file is empty")
    separators = [separator] if separator else list(_MARKS)
    decimals = [decimal] if decimal else [".", ","]
    trials = []
    for rank, mark in enumerate(separators):
        for point in decimals:
            if mark == "comma" and point == "," and not separator:
                continue
            rows = _without_empty_last_column([_cells(line, mark) for line in lines])
            width = _table_width(rows, point)
            if width < 2:
                continue
            numeric = [_numbers(row, point) for row in rows]
            good = sum(len(row) >= width and numeric[i] is not None for i, row in enumerate(rows))
            clean = sum(values is not None and all(value == value for value in values) for values in numeric)
            trials.append((clean, good, -rank, mark, point, rows, numeric, width))
    if not trials:
        raise InputError(
            f"{name}: no table of numbers found; a sweep needs at least a frequency and a magnitude in each row, "
            "separated by comma, semicolon, tab, bar or spaces"
        )
    best = max(trials, key=lambda trial: (*trial[:2], trial[4] == "." or _uses_comma(trial[6], trial[5]), trial[2]))
    *_, mark, point, rows, numeric, width = best
    _ask_if_decimal_comma_is_split(rows, width, mark, name, decimal)
    return _assemble(rows, numeric, width, mark, point, name)


def _cells(line: str, mark: str) -> list[str]:
    if mark == "space":
        return line.split()
    cells = next(csv.reader([line], delimiter=_MARKS[mark]))
    return [cell.strip().strip("\u00a0\u202f") for cell in cells]


def _without_empty_last_column(rows: list[list[str]]) -> list[list[str]]:
    """Drop the column that a separator at the end of every line makes."""
    while any(len(row) > 1 for row in rows) and all(len(row) < 2 or row[-1] == "" for row in rows):
        rows = [row[:-1] if len(row) > 1 else row for row in rows]
    return rows


def _number(cell: str, point: str) -> float | None:
    """Return the number in a cell, NaN for an empty one, None for words."""
    plain = cell.strip().replace("\u00a0", "").replace("\u202f", "").replace("−", "-")
    if plain.casefold() in _EMPTY:
        return float("nan")
    pattern = _POINT if point == "." else _COMMA
    if not pattern.fullmatch(plain) or not any(character.isdigit() for character in plain):
        return None
    plain = plain.replace(",", "") if point == "." else plain.replace(".", "").replace(",", ".")
    try:
        number = float(plain)
    except ValueError:
        return None
    if abs(number) > LARGEST:
        return float("nan")
    return number if abs(number) > 1 / LARGEST else 0.0


def _numbers(row: list[str], point: str) -> list[float] | None:
    """Return the numbers of a data row (words in later columns become NaN), None for a row of words."""
    values = [_number(cell, point) for cell in row]
    real = [value for value in values if value is not None and value == value]
    if not real or (values[0] is None and len(real) < 2):
        return None
    if sum(value is None for value in values) > len(values) / 2:
        return None
    return [float("nan") if value is None else value for value in values]


def _table_width(rows: list[list[str]], point: str) -> int:
    widths = Counter(len(row) for row in rows if len(row) >= 2 and _numbers(row, point) is not None)
    return widths.most_common(1)[0][0] if widths else 0


def _uses_comma(numeric: list[list[float] | None], rows: list[list[str]]) -> bool:
    return any("," in cell for row, values in zip(rows, numeric) if values is not None for cell in row)


def _ask_if_decimal_comma_is_split(
    rows: list[list[str]], width: int, mark: str, name: str, decimal: str | None
) -> None:
    """``100,5,12,3`` is 4 columns, or 2 with decimal commas: a header of half the width gives it away."""
    if mark != "comma" or decimal == ".":
        return
    data = [row for row in rows if len(row) == width and _numbers(row, ".") is not None]
    whole = all(re.fullmatch(r"[+\-−]?\d*", cell) for row in data for cell in row)
    words = [row for row in rows if _numbers(row, ".") is None and len(row) > 1]
    if whole and width % 2 == 0 and width >= 4 and (not words or len(words[-1]) * 2 == width):
        raise InputError(
            f"{name}: ambiguous commas: '{','.join(data[0])}' is {width} whole numbers, or {width // 2} numbers with "
            "decimal commas; export with semicolons or tabs, or with decimal points"
        )


def _assemble(
    rows: list[list[str]], numeric: list[list[float] | None], width: int, mark: str, point: str, name: str
) -> NumberTable:
    complete = [values is not None and sum(value == value for value in values) >= 2 for values in numeric]
    whole = [i for i, is_complete in enumerate(complete) if is_complete and len(rows[i]) == width]
    if not whole:
        raise InputError(
            f"{name}: no row holds two numbers side by side; a sweep needs a frequency and a magnitude in each"
        )
    first = whole[0]
    while first and numeric[first - 1] is not None and len(rows[first - 1]) == width:
        first -= 1
    kept: list[list[float]] = []
    broken = 0
    for i in range(first, len(rows)):
        values = numeric[i]
        if values is None or not complete[i] or (len(values) < width and mark == "space"):
            broken += 1
            continue
        padded = [*values, *[float("nan")] * width][:width]
        kept.append(padded)
    if not kept:
        raise InputError(f"{name}: no rows of numbers found")
    header = [""] * width
    used = 0
    for row in reversed(rows[:first]):
        if len(row) != width or used == 2:
            break
        header = [f"{above} {below}".strip() for above, below in zip(row, header)]
        used += 1
    if not used and first and mark == "space":
        header, used = _header_with_spaces(rows[first - 1], width), 1
    notes = [f"{len(kept)} rows of {width} columns separated by {mark}, decimal {'point' if point == '.' else 'comma'}"]
    titles = first - used
    if titles > 0:
        notes.append(f"{titles} title row{'s' if titles > 1 else ''} above the table skipped")
    return NumberTable(numbers=np.array(kept), header=tuple(header), broken_rows=broken, notes=tuple(notes))


def _header_with_spaces(words: list[str], width: int) -> list[str]:
    """Header words between spaces: join a bracketed unit to the word before it."""
    joined: list[str] = []
    for word in words:
        word = word.lstrip("#;!%*")
        if not word:
            continue
        if joined and (word.startswith(("(", "[")) or joined[-1].count("(") > joined[-1].count(")")):
            joined[-1] += f" {word}"
        else:
            joined.append(word)
    return joined if len(joined) == width else [""] * width
