"""Sheets: TOML files with units. `Table` reads one table of a sheet key by key and refuses what nobody asked for.

Every refusal is one sentence that names the file, the key, what was expected and the nearest valid name.
Readers ask for each key they know and finish with `Table.done`, so a misspelt key can never be ignored.
"""

from __future__ import annotations

import math
import re
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import deepcopy
from functools import lru_cache
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import tomli_w

from labkit.core.errors import InputError, QuantityError, SheetError, did_you_mean, join_words
from labkit.core.files import read_text
from labkit.core.units import UsualRange, parse_quantity

FORMAT = 1
"""The sheet format this version reads and writes."""

_MOST_DIGITS = 250
_MANY_DIGITS = re.compile(rf"(?<![0-9A-Za-z_'\"])[0-9][0-9A-Fa-f_xob]{{{_MOST_DIGITS}}}")
"""A whole number of so many digits, even hexadecimal ones, is no float; one of thousands cannot even be shown."""

_DEEPEST_KEY = 200
_NO_KEY = re.compile(r"[^\w\-\"'. \t]+")
"""What stands between dotted keys: the time of the parser grows with the square of their parts, so they are counted."""

_REMEMBERED = 150_000
"""What a text of so many characters says is remembered: parsing takes ten times as long as copying."""

_REQUIRED: Any = object()
ResultT = TypeVar("ResultT")


class Table:
    """One table of a sheet, read key by key.

    Parameters
    ----------
    data : mapping
        The table as TOML gives it.
    where : str
        What to call the sheet in messages: a path, or "inline pickup of rig.toml".
    path : str
        Dotted position of this table inside the sheet.
    folder : Path or None
        Folder that relative paths inside the sheet start from; None where there is none.
    """

    def __init__(self, data: Mapping[str, Any], where: str, path: str = "", folder: Path | None = None) -> None:
        self.data = data
        self.where = where
        self.path = path
        self.folder = folder
        self.asked: dict[str, None] = {}

    def __contains__(self, key: str) -> bool:
        self.asked.setdefault(key)
        return key in self.data

    def allow(self, *keys: str) -> None:
        """Allow keys that are for people, or read elsewhere: `done` lets them pass."""
        self.asked |= dict.fromkeys(keys)

    def fail(self, key: str, sentence: str) -> NoReturn:
        """Raise a `SheetError` about a key of this table (or the table itself when ``key`` is empty)."""
        place = ".".join(part for part in (self.path, key) if part)
        raise SheetError(f"{self.where}: {place}: {sentence}" if place else f"{self.where}: {sentence}")

    def raw(self, key: str, default: Any = _REQUIRED, *, expected: str = "a value") -> Any:
        """Return a key as TOML gave it; the default (or a refusal) when it is absent."""
        self.asked.setdefault(key)
        if key in self.data:
            return self.data[key]
        if default is _REQUIRED:
            near = [name for name in self.data if name not in self.asked]
            hint = did_you_mean(key, near, listing=False).replace("Did you mean", "You wrote").replace("?", ".")
            self.fail(key, f"is missing; {expected} is due here.{hint}")
        return default

    def text(self, key: str, default: Any = _REQUIRED, *, expected: str = "a text") -> str:
        """Return a non-empty text."""
        value = self.raw(key, default, expected=expected)
        if value is default and key not in self.data:
            return value  # type: ignore[no-any-return]
        if not isinstance(value, str):
            self.fail(key, f"must be {expected} in quotes; got {_shown(value)}")
        if not value.strip():
            self.fail(key, f"must be {expected}; it is empty")
        return value

    def choice(self, key: str, options: Iterable[str], default: Any = _REQUIRED) -> str:
        """Return one of ``options``."""
        known = list(options)
        value = self.raw(key, default, expected=f"one of {join_words(known, 'or')}")
        if value is default and key not in self.data:
            return value  # type: ignore[no-any-return]
        if not isinstance(value, str) or value not in known:
            hint = did_you_mean(value, known, listing=False) if isinstance(value, str) else ""
            self.fail(key, f"must be one of {join_words(known, 'or')}; got {_shown(value)}.{hint}")
        return value

    def quantity(
        self,
        key: str,
        unit: str,
        default: Any = _REQUIRED,
        *,
        usual: UsualRange | None = None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float:
        """Return a quantity in SI, between ``low`` and ``high`` inclusive (see `labkit.core.units.parse_quantity`)."""
        value = self.raw(key, default, expected="a quantity with its unit")
        if value is default and key not in self.data:
            return value  # type: ignore[no-any-return]
        try:
            number = parse_quantity(value, unit, usual=usual)
        except QuantityError as error:
            self.fail(key, str(error))
        if not low <= number <= high:
            from labkit.core.units import format_quantity

            bounds = [
                f"at least {format_quantity(low, unit)}" if math.isfinite(low) else "",
                f"at most {format_quantity(high, unit)}" if math.isfinite(high) else "",
            ]
            self.fail(key, f"must be {join_words([b for b in bounds if b])}; got '{value}'")
        return number

    def number(
        self, key: str, default: Any = _REQUIRED, *, low: float = -math.inf, high: float = math.inf, whole: bool = False
    ) -> float:
        """Return a plain number between ``low`` and ``high`` inclusive."""
        kind = "a whole number" if whole else "a number"
        if math.isinf(low):
            span = "" if math.isinf(high) else f" of {high:g} or less"
        else:
            span = f" of {low:g} or more" if math.isinf(high) else f" from {low:g} to {high:g}"
        value = self.raw(key, default, expected=kind + span)
        if value is default and key not in self.data:
            return value  # type: ignore[no-any-return]

        def allowed(number: float) -> bool:
            return abs(number) <= sys.float_info.max and low <= number <= high and not (whole and number != int(number))

        if isinstance(value, bool) or not isinstance(value, int | float) or not allowed(value):
            self.fail(key, f"must be {kind}{span}; got {_shown(value)}{_as_number(value, allowed)}")
        return value

    def flag(self, key: str, default: Any = _REQUIRED) -> bool:
        """Return true or false."""
        value = self.raw(key, default, expected="true or false")
        if not isinstance(value, bool):
            self.fail(key, f"must be true or false; got {_shown(value)}")
        return value

    def texts(self, key: str, default: Any = _REQUIRED, *, count: int | None = None) -> tuple[str, ...]:
        """Return a list of texts, of ``count`` entries where given."""
        wanted = f"a list of {count} names" if count is not None else "a list of names"
        value = self.raw(key, default, expected=wanted)
        if value is default and key not in self.data:
            return value  # type: ignore[no-any-return]
        if not isinstance(value, list) or not all(isinstance(entry, str) and entry.strip() for entry in value):
            self.fail(key, f"must be {wanted}; got {_shown(value)}")
        if count is not None and len(value) != count:
            self.fail(key, f"must be {wanted}; got {len(value)}: {_shown(value)}")
        return tuple(value)

    def table(self, key: str, default: Any = _REQUIRED) -> Table:
        """Return a sub-table."""
        value = self.raw(key, default, expected="a table")
        if not isinstance(value, dict):
            self.fail(key, f"must be a table of its own; got {_shown(value)}")
        return self.child(value, key)

    def tables(self, key: str, default: Any = _REQUIRED) -> list[Table]:
        """Return a list of tables (``[[key]]``, or inline)."""
        value = self.raw(key, default, expected="a list of tables")
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            self.fail(key, f"must be a list of tables ([[{key}]]); got {_shown(value)}")
        return [self.child(entry, f"{key}[{index}]") for index, entry in enumerate(value, start=1)]

    def each(self, key: str, default: Any = _REQUIRED) -> Iterator[tuple[str, Table]]:
        """Yield name and table of every entry of a table of tables (``[key.NAME]``)."""
        parent = self.table(key, default)
        for name, value in parent.data.items():
            if not isinstance(value, dict):
                parent.fail(name, f"must be a table of its own; got {_shown(value)}")
            yield name, parent.child(value, name)

    def child(self, data: Mapping[str, Any], key: str) -> Table:
        """Return a table inside this one."""
        return Table(data, self.where, ".".join(part for part in (self.path, key) if part), self.folder)

    def done(self) -> None:
        """Refuse every key that no reader asked for."""
        for key in self.data:
            if key not in self.asked:
                self.fail(key, f"is not a key of this table.{did_you_mean(key, self.asked)}")

    def attempt(self, key: str, make: Callable[[], ResultT]) -> ResultT:
        """Run ``make`` and turn an `InputError` of a deeper layer into one that names this sheet and key."""
        try:
            return make()
        except SheetError:
            raise
        except InputError as error:
            self.fail(key, str(error))


_PARSED: dict[str, dict[str, Any]] = {}


def remember_parsed(sheets: Mapping[str, dict[str, Any]]) -> None:
    """Take over what sheets say, by their text, where somebody has parsed them before: a visit of the site."""
    _PARSED.update(sheets)


@lru_cache(maxsize=256)
def _said(text: str) -> dict[str, Any]:
    return _PARSED.get(text) or tomllib.loads(text)


def parse_sheet(text: str, where: str, folder: Path | None = None, *, kinds: Iterable[str] | None = None) -> Table:
    """Parse a sheet from text and check its kind and format.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Name for messages.
    folder : Path, optional
        Where relative paths start.
    kinds : iterable of str, optional
        Kinds of sheet that are welcome; all when None.

    Raises
    ------
    SheetError
        If the text is empty, not TOML, of another kind or of another format.
    """
    if not text.strip():
        raise SheetError(f'{where}: is empty; a sheet begins with a line such as sheet = "rig"')
    if any(piece.count(".") > _DEEPEST_KEY for piece in _NO_KEY.split(text)):
        raise SheetError(f"{where}: is nested too deeply to be a sheet")
    if _MANY_DIGITS.search(text):
        raise SheetError(f"{where}: holds a number of more than {_MOST_DIGITS} digits; write it with a power of ten")
    try:
        data = deepcopy(_said(text)) if len(text) <= _REMEMBERED else tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SheetError(f"{where}: is not valid TOML: {str(error)[:200]}") from None
    except RecursionError:
        raise SheetError(f"{where}: is nested too deeply to be a sheet") from None
    table = Table(data, where, folder=folder)
    known = list(kinds) if kinds is not None else None
    kind = table.text("sheet", expected='the kind of sheet, such as "rig",')
    if known is not None and kind not in known:
        hint = did_you_mean(kind, known, listing=False)
        table.fail("sheet", f"this is a '{kind}' sheet; a {join_words(known, 'or')} sheet is due here.{hint}")
    version = table.raw("format", expected=f"format = {FORMAT}")
    if version != FORMAT or isinstance(version, bool):
        table.fail("format", f"must be {FORMAT}, the only format this version reads; got {_shown(version)}")
    return table


def read_sheet(path: Path, *, kinds: Iterable[str] | None = None) -> Table:
    """Read a sheet from a file; see `parse_sheet`."""
    try:
        text = read_text(path)
    except InputError as error:
        raise SheetError(str(error)) from None
    return parse_sheet(text, str(path), path.parent, kinds=kinds)


def sheet_text(kind: str, data: Mapping[str, Any]) -> str:
    """Return the TOML text of a sheet of ``kind``."""
    return tomli_w.dumps({"sheet": kind, "format": FORMAT, **data})


def _shown(value: object) -> str:
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else f"{text[:57]}…"


def _as_number(value: Any, allowed: Callable[[float], bool]) -> str:
    """Say how a text that stands for an allowed number is written as one."""
    try:
        number = parse_quantity(value, "1") if isinstance(value, str) else math.nan
    except QuantityError:
        return ""
    return f". Write {number:g}, without quotes" if allowed(number) else ""
