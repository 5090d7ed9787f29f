"""Delimited text to a table of numbers: separator, decimal mark, title rows, header and units row.

Knows nothing of sweeps: `read_table` finds the block of rows that are numbers and the words above it. A cell may hold
a number, a number with its unit (``4.1 kΩ``), or a complex number (``1.2e3+4.5e3j``, ``(re,im)``, ``6.2k∠45°``).
"""

from __future__ import annotations

import cmath
import csv
import math
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from labkit.core.errors import InputError
from labkit.core.units import PREFIXES

Separator = Literal["comma", "semicolon", "tab", "bar", "space"]
_MARKS: dict[str, str] = {"tab": "\t", "semicolon": ";", "bar": "|", "comma": ",", "space": " "}
_UNSIGNED = {
    ".": r"(?:\d{1,3}(?:,\d{3})+(?=\.)|\d+)?(?:\.\d*)?(?:[eE][+\-−]?\d+)?",
    ",": r"(?:\d{1,3}(?:\.\d{3})+(?=,)|\d+)?(?:,\d*)?(?:[eE][+\-−]?\d+)?",
}
_NUMBER = {point: rf"[+\-−]?{unsigned}" for point, unsigned in _UNSIGNED.items()}
_PLAIN = {point: re.compile(number) for point, number in _NUMBER.items()}
_UNITS = {
    "Hz": r"[hH][zZ]",
    "Ω": r"Ω|Ω|[oO]hms?|OHMS?",
    "H": "H|[hH]enr(?:y|ies)",
    "F": "F|[fF]arads?",
    "S": "S|[sS]iemens",
    "V": "V|[vV]olts?",
    "dB": r"d[bB]",
    "deg": "°|deg",
    "rad": "rad",
    "%": "%",
}
"""Units that stand in cells, by the name they get in the header."""

_UNIT = f"(?P<prefix>[{''.join(PREFIXES)}]?)(?P<unit>{'|'.join(_UNITS.values())})"
_SCALED = {
    point: re.compile(rf"(?P<number>{number}) ?(?:{_UNIT}|(?P<bare>[{''.join(PREFIXES)}]))")
    for point, number in _NUMBER.items()
}
_COMPLEX = {
    point: re.compile(
        rf"(?P<real>{number})(?P<imaginary>[+\-−]{_UNSIGNED[point]})[ij]"
        rf"|(?P<size>{number})(?P<decibel>dB)?∠(?P<angle>{number})(?P<turn>°|deg|rad)?"
    )
    for point, number in _NUMBER.items()
}
_AFTER_COMPLEX = re.compile(
    rf"(?<=[\dij.]) ?(?P<prefix>[{''.join(PREFIXES)}]?)(?P<unit>{_UNITS['Ω']}|{_UNITS['S']}|{_UNITS['V']})?(?=∠|$)"
)

# Loosely, to find what belongs into one cell before the separator is known:
_LOOSE = r"[+\-−]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][+\-−]?\d+)?"
_POINTED = r"[+\-−]?\d*\.\d+(?:[eE][+\-−]?\d+)?"
_BETWEEN_TABS = re.compile(rf"(?<=\t)({_POINTED}), ?({_POINTED})(?=\t|$)")
_PAIR = re.compile(rf"(?<![\w.])\( *({_LOOSE}) *(dB)? *[,;]\s*({_LOOSE}) *([^\d\s,;()]{{0,4}}) *\)")
_LETTER_FIRST = re.compile(rf"(?<=[\d.]) ?([+\-−]) ?[ij] ?({_LOOSE})(?![\w.,])")
_SPACED = re.compile(rf"(?<=[\d.]) ?([+\-−]) ?({_LOOSE[7:]}) ?[ij](?!\w)")
_ANGLE = re.compile(rf"(?<=[\w.ΩΩ]) ?(?:∠|/_) ?({_LOOSE}) ?(°|deg|rad)?")
_GAP = re.compile(rf"(?<=[\d.j]) (?={_UNIT.replace('?P<prefix>', '?:').replace('?P<unit>', '?:')}(?![\w°]))")
_EMPTY = {"", "-", "--", "nan", "n/a", "na", "null", "none", "#n/a", "inf", "-inf", "ovl", "ol", "overload"}


LONGEST_LINE = 20_000
"""Characters; a row of fifty numbers has some hundreds."""

LONGEST_HEADER = 80
"""Characters of a column's header that are kept."""

LARGEST = 1e30
"""Numbers beyond this (or below its inverse) are no readings of anything; they are taken as missing (or zero)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberTable:
    """Numbers by row and column (NaN for an empty cell), the header words of each column, and what was noticed.

    A column of complex numbers stands in ``parts`` by its index, and in ``numbers`` with its magnitudes.
    """

    numbers: np.ndarray
    header: tuple[str, ...]
    broken_rows: int
    notes: tuple[str, ...]
    parts: Mapping[int, np.ndarray] = field(default_factory=lambda: MappingProxyType({}))


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
    lines = [line for line in _simulator_print(lines) if line.strip()]
    if not lines:
        raise InputError(f"{name}: the file is empty")
    longest = max(len(line) for line in lines)
    if longest > LONGEST_LINE:
        raise InputError(f"{name}: a line of this file has {longest} characters; a row of a sweep has a few hundred")
    lines = [_without_gaps(line) for line in lines]
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


def _simulator_print(lines: list[str]) -> list[str]:
    """Turn the printout of a circuit simulator's AC analysis into rows: pages, rules, index and ``re, im`` pairs.

    The pages of one printout repeat their header; vectors that did not fit beside each other follow below.
    """
    blocks: dict[tuple[str, ...], list[list[str]]] = {}
    names: tuple[str, ...] = ()
    for line in lines:
        words = re.sub(r",\s+", ",", line.strip()).split()
        if len(words) > 2 and words[0] == "Index" and words[1].lower().startswith("freq"):
            names = tuple(words[1:])
            blocks.setdefault(names, [])
        elif names and len(words) == len(names) + 1 and words[0].isdigit():
            cells = [f"({word})" if "," in word else word for word in words[1:]]
            blocks[names].append(cells)
    if not any(blocks.values()):
        return lines
    (first, rows), *others = blocks.items()
    header = list(first)
    for more, values in others:
        if [row[0] for row in values] == [row[0] for row in rows]:
            header += more[1:]
            rows = [[*row, *further[1:]] for row, further in zip(rows, values)]
    return ["\t".join(header), *("\t".join(row) for row in rows)]


def _without_gaps(line: str) -> str:
    """Write complex numbers, and numbers with a unit, in one word, so that no separator stands inside them."""
    line = _BETWEEN_TABS.sub(r"(\1,\2)", line)  # a simulator's "real,imaginary"
    if not any(letter in line for letter in "(ij∠_ΩΩohHFSVdz°%"):
        return line

    def pair(match: re.Match[str]) -> str:
        first, decibel, second, turn = match.groups()
        if decibel or turn:
            return f"{first}{decibel or ''}∠{second}{'rad' if turn == 'rad' else '°'}"
        return f"{first}{'' if second[0] in '+-−' else '+'}{second}j"

    line = _PAIR.sub(pair, line)
    line = _LETTER_FIRST.sub(r"\1\2j", line)
    line = _SPACED.sub(r"\1\2j", line)
    line = _ANGLE.sub(r"∠\1\2", line)
    return _GAP.sub("", line)


def _float(text: str, point: str, power: int = 0) -> float:
    """Return a number in a text times a power of ten; NaN where it is no reading of anything."""
    plain = text.replace("−", "-")
    plain = plain.replace(",", "") if point == "." else plain.replace(".", "").replace(",", ".")
    # The power goes into the text where it can, so that 4.1 k is the float nearest to 4100.
    number = float(plain) * 10.0**power if "e" in plain.lower() else float(f"{plain}e{power}")
    if abs(number) > LARGEST:
        return math.nan
    return number if abs(number) > 1 / LARGEST else 0.0


def _number(cell: str, point: str) -> float | complex | None:
    """Return the number in a cell, in its unit without prefix; NaN for an empty one, None for words."""
    plain = cell.strip().replace("\u00a0", "").replace("\u202f", "")
    if plain.casefold() in _EMPTY:
        return math.nan
    try:
        if _PLAIN[point].fullmatch(plain):
            return _float(plain, point)
        if found := _SCALED[point].fullmatch(plain):
            return _float(found["number"], point, PREFIXES[found["prefix"] or found["bare"] or ""])
        power = 0
        if unit := _AFTER_COMPLEX.search(plain):
            power = PREFIXES[unit["prefix"] or ""]
            plain = plain[: unit.start()] + plain[unit.end() :]
        if not (found := _COMPLEX[point].fullmatch(plain)):
            return None
        if found["real"] is not None:
            both = complex(_float(found["real"], point, power), _float(found["imaginary"], point, power))
        else:
            angle = _float(found["angle"], point)
            size = _float(found["size"], point, 0 if found["decibel"] else power)
            size = 10 ** (min(size, 700.0) / 20) if found["decibel"] else size
            both = cmath.rect(size, angle if found["turn"] == "rad" else math.radians(angle))
    except ValueError:  # a mark or an exponent without digits
        return None
    return both if cmath.isfinite(both) and abs(both) <= LARGEST else math.nan


def _unit_in(cell: str, point: str) -> str:
    """Return the unit that stands in a cell, as it is named in headers; nothing where there is none."""
    found = _SCALED[point].fullmatch(cell) or (_AFTER_COMPLEX.search(cell) if re.search("[ij∠]", cell) else None)
    spelled = found["unit"] if found else None
    return next((name for name, spelling in _UNITS.items() if spelled and re.fullmatch(spelling, spelled)), "")


def _numbers(row: list[str], point: str) -> list[float | complex] | None:
    """Return the numbers of a data row (words in later columns become NaN), None for a row of words."""
    values = [_number(cell, point) for cell in row]
    real = [value for value in values if value is not None and value == value]
    if not real or (values[0] is None and len(real) < 2):
        return None
    if sum(value is None for value in values) > len(values) / 2:
        return None
    return [math.nan if value is None else value for value in values]


def _table_width(rows: list[list[str]], point: str) -> int:
    widths = Counter(len(row) for row in rows if len(row) >= 2 and _numbers(row, point) is not None)
    return widths.most_common(1)[0][0] if widths else 0


def _uses_comma(numeric: list[list[float | complex] | None], rows: list[list[str]]) -> bool:
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
            "decimal commas; export with semicolons or tabs, or say --decimal point or --separator"
        )


def _assemble(
    rows: list[list[str]], numeric: list[list[float | complex] | None], width: int, mark: str, point: str, name: str
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
    kept: list[list[float | complex]] = []
    units: list[Counter[str]] = [Counter() for _ in range(width)]
    broken = 0
    for i in range(first, len(rows)):
        values = numeric[i]
        if values is None or not complete[i] or (len(values) < width and mark == "space"):
            broken += 1
            continue
        kept.append([*values, *[math.nan] * width][:width])
        for column, cell in enumerate(rows[i][:width]):
            if cell[-1:].isalpha() or cell[-1:] in ("°", "%"):
                units[column][_unit_in(cell, point)] += 1
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
    for column, found in enumerate(units):
        stated = [unit for unit in found if unit]
        if len(stated) > 1:
            raise InputError(
                f"{name}: column {column + 1} holds values in {' and in '.join(stated)}; give each its own"
            )
        if stated:
            words = re.sub(r"\s*[\[(][^\])]*[\])]", "", header[column])
            header[column] = f"{words} [{stated[0]}]".strip()
            notes.append(f"column {column + 1}: {stated[0]} as written in its cells")
    together = np.array(kept, dtype=complex)
    parts = {
        column: together[:, column] for column in range(width) if any(isinstance(row[column], complex) for row in kept)
    }
    numbers = together.real.copy()
    for column, pair in parts.items():
        numbers[:, column] = np.abs(pair)
        notes.append(f"column {column + 1}: complex numbers")
    header = [words[:LONGEST_HEADER] for words in header]
    return NumberTable(
        numbers=numbers, header=tuple(header), broken_rows=broken, notes=tuple(notes), parts=MappingProxyType(parts)
    )


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
