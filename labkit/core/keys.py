"""Keys of a sheet's table, declared once: on the field of the thing that they are read into.

    value: float = quantity("Ω", usual=POT, low=1.0, meaning="resistance of the whole track")

says unit, range, default and meaning. From the declaration come reading (`read_keys`), writing (`written_keys`), the
numbers that a study may vary (`numbers`, `with_numbers`), and the reference of sheets (`declared_keys`).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, field
from typing import Any, TypedDict, TypeVar, Unpack

from labkit.core.errors import InputError, did_you_mean
from labkit.core.sheet import Table
from labkit.core.units import UsualRange, format_quantity

Thing = TypeVar("Thing")

NUMBER = ""
"""Unit of a plain number."""

_METADATA = "labkit key"


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of a table.

    Attributes
    ----------
    name : str
        The key as sheets write it; the field's own name unless stated.
    field : str
        The field of the dataclass.
    meaning : str
        What it is, in a few words, for the reference of sheets.
    default : Any
        Value of an absent key; `dataclasses.MISSING` where the key must be there.
    unit : str or None
        SI symbol of a quantity, `NUMBER` for a plain number, None for what is no number.
    usual : UsualRange or None
        Range outside which a value is questioned.
    low, high : float
        Limits, inclusive.
    options : tuple of str
        The words that are allowed, where only some are.
    is_varied : bool
        True for a number that studies may vary.
    is_whole : bool
        True for a number without a fraction.
    form : str
        What a sheet writes, in words, where unit and options do not say it.
    parse, write : callable or None
        From what TOML holds to the value and back, for values of other kinds; ``parse`` raises `InputError`.
    take : callable or None
        ``take(table, name)``, in place of ``parse`` where more than the bare value is needed (a table of its own).
    """

    name: str = ""
    field: str = ""
    meaning: str = ""
    default: Any = MISSING
    unit: str | None = None
    usual: UsualRange | None = None
    low: float = -math.inf
    high: float = math.inf
    options: tuple[str, ...] = ()
    is_varied: bool = False
    is_whole: bool = False
    form: str = ""
    parse: Callable[[Any], Any] | None = None
    write: Callable[[Any], Any] | None = None
    take: Callable[[Table, str], Any] | None = None

    def read(self, table: Table) -> Any:
        """Return the value that a table gives, or the default."""
        default = () if self.default is MISSING else (self.default,)
        if (self.parse or self.take) and default and self.name not in table:
            return self.default
        if self.take is not None:
            return self.take(table, self.name)
        if self.parse is not None:
            parse, given = self.parse, table.raw(self.name, expected=self.meaning)
            return table.attempt(self.name, lambda: parse(given))
        if self.unit == NUMBER:
            value = table.number(self.name, *default, low=self.low, high=self.high, whole=self.is_whole)
            return (int if self.is_whole else float)(value) if isinstance(value, int | float) else value
        if self.unit is not None:
            return table.quantity(self.name, self.unit, *default, usual=self.usual, low=self.low, high=self.high)
        if self.options:
            return table.choice(self.name, self.options, *default)
        return table.text(self.name, *default, expected=self.meaning or "a text")

    def written(self, value: Any) -> Any:
        """Return a value as sheets write it; None where it is left out."""
        if value is None or (isinstance(value, float) and not math.isfinite(value)):
            return None
        if self.write is not None:
            return self.write(value)
        return format_quantity(value, self.unit, usual=self.usual) if self.unit else value

    def check(self, value: float) -> float:
        """Return a number inside the key's limits; InputError otherwise. It may well be an unusual one."""
        if not (math.isfinite(value) and self.low <= value <= self.high):
            limits = [f"at least {self.low:g}"] if math.isfinite(self.low) else []
            limits += [f"at most {self.high:g}"] if math.isfinite(self.high) else []
            unit = f" {self.unit}" if self.unit else ""
            raise InputError(
                f"{self.name}: must be {' and '.join(limits) or 'a finite number'}{unit if limits else ''}; "
                f"got {value:g}{unit}"
            )
        return value


class Terms(TypedDict, total=False):
    """What may be said of a key beside its meaning; see `Key`."""

    name: str
    default: Any
    usual: UsualRange | None
    low: float
    high: float
    is_varied: bool
    is_whole: bool
    form: str
    parse: Callable[[Any], Any] | None
    write: Callable[[Any], Any] | None
    take: Callable[[Table, str], Any] | None


def quantity(unit: str, *, meaning: str, **terms: Unpack[Terms]) -> Any:
    """Declare a field that is a quantity with a unit, and that studies may vary; see `Key`."""
    terms.setdefault("is_varied", True)
    return custom(meaning=meaning, unit=unit, **terms)


def number(*, meaning: str, **terms: Unpack[Terms]) -> Any:
    """Declare a field that is a plain number, and that studies may vary; see `Key`."""
    return quantity(NUMBER, meaning=meaning, **terms)


def text(*, meaning: str, options: Iterable[str] = (), **terms: Unpack[Terms]) -> Any:
    """Declare a field that is a text, or one of some words; see `Key`."""
    return custom(meaning=meaning, options=tuple(options), **terms)


def flag(*, meaning: str, **terms: Unpack[Terms]) -> Any:
    """Declare a field that is true or false; see `Key`."""
    terms.update({"take": Table.flag, "form": "true or false"})
    return custom(meaning=meaning, **terms)


def custom(*, meaning: str, unit: str | None = None, options: tuple[str, ...] = (), **terms: Unpack[Terms]) -> Any:
    """Declare a field of another kind, with its own way from TOML and back; see `Key`."""
    default = {"default": terms["default"]} if "default" in terms else {}
    terms.setdefault("default", MISSING)
    key = Key(meaning=meaning, unit=unit, options=options, **terms)
    return field(**default, metadata={_METADATA: key})


def inline(kind: type, *, default: Any = MISSING) -> Any:
    """Declare a field whose own keys stand in the same table."""
    return field(default=default, metadata={_METADATA: kind})


def listed(kind: type, *, name: str = "") -> Any:
    """Declare a field that is a list of tables (``[[name]]``), empty by default; each is one of ``kind``."""
    return field(default=(), metadata={_METADATA: _Listed(kind, name)})


def declared_keys(kind: type) -> tuple[Key, ...]:
    """Return the keys of a dataclass, those of inline fields included, in the order of their fields.

    >>> from labkit.rig.chain.chain import Cable
    >>> [(key.name, key.unit, key.field) for key in declared_keys(Cable)][:2]
    [('length', 'm', 'length'), ('capacitance', 'F/m', 'capacitance_per_length')]
    """
    found: list[Key] = []
    for _field, declared in _fields(kind):
        if isinstance(declared, Key):
            found.append(declared)
        elif isinstance(declared, type):
            found += declared_keys(declared)
    return tuple(found)


def declared_lists(kind: type) -> dict[str, type]:
    """Return the lists of tables of a dataclass: by their key, what each table is read into."""
    return {declared.name: declared.kind for _field, declared in _fields(kind) if isinstance(declared, _Listed)}


def read_keys(kind: type, table: Table, *, base: object | None = None) -> dict[str, Any]:
    """Return the values of a dataclass's fields from a table.

    Parameters
    ----------
    kind : type
    table : Table
    base : object, optional
        One of the kind; what the table leaves out stays as it is there.
    """
    values: dict[str, Any] = {}
    for name, declared in _fields(kind):
        present = None if base is None else getattr(base, name)
        if isinstance(declared, type):
            values[name] = made(declared, table, read_keys(declared, table, base=present))
        elif base is not None and declared.name not in table:
            values[name] = present
        elif isinstance(declared, Key):
            values[name] = declared.read(table)
        else:
            values[name] = tuple(_entry(declared.kind, entry) for entry in table.tables(declared.name, []))
    return values


def made(kind: type[Thing], table: Table, values: Mapping[str, Any]) -> Thing:
    """Return one of a kind; what it refuses is said of the table."""
    return table.attempt("", lambda: kind(**values))


def written_keys(thing: object) -> dict[str, Any]:
    """Return the keys of a thing as sheets write them; they read back to the same values."""
    data: dict[str, Any] = {}
    for name, declared in _fields(type(thing)):
        value = getattr(thing, name)
        if isinstance(declared, type):
            data |= written_keys(value)
        elif isinstance(declared, _Listed):
            if value:
                data[declared.name] = [written_keys(each) for each in value]
        elif (written := declared.written(value)) is not None:
            data[declared.name] = written
    return data


def numbers(thing: object) -> Iterator[tuple[str, float, Key]]:
    """Yield name, SI value and key of every number that may be varied; entries of a list count from 1.

    >>> from labkit.rig.chain.chain import Input
    >>> [(name, value) for name, value, key in numbers(Input(name="input", resistance=1e6))]
    [('resistance', 1000000.0), ('capacitance', 0.0)]
    """
    for name, declared in _fields(type(thing)):
        value = getattr(thing, name)
        if isinstance(declared, type):
            yield from numbers(value)
        elif isinstance(declared, _Listed):
            for index, each in enumerate(value, start=1):
                for inner, number_there, key in numbers(each):
                    yield f"{declared.name}{index}.{inner}", number_there, key
        elif declared.is_varied and value is not None and math.isfinite(value):
            yield declared.name, float(value), declared


def with_numbers(thing: Thing, values: Mapping[str, float]) -> Thing:
    """Return a thing with numbers replaced, SI, by the names of `numbers`.

    Raises
    ------
    InputError
        If it has no such number, or one lies outside the limits of its key.
    """
    known = {name: key for name, _value, key in numbers(thing)}
    for name in values:
        if name not in known:
            raise InputError(f"there is no number '{name}' to change.{did_you_mean(name, known)}")
    changed: dict[str, Any] = {}
    for name, declared in _fields(type(thing)):
        if isinstance(declared, type):
            own = {key.name for key in declared_keys(declared)} & values.keys()
            if own:
                changed[name] = with_numbers(getattr(thing, name), {each: values[each] for each in own})
        elif isinstance(declared, _Listed):
            changed[name] = tuple(
                with_numbers(entry, _below(values, f"{declared.name}{index}."))
                for index, entry in enumerate(getattr(thing, name), start=1)
            )
        elif declared.name in values:
            changed[name] = declared.check(float(values[declared.name]))
    return dataclasses.replace(thing, **changed) if changed else thing  # type: ignore[type-var]


def _below(values: Mapping[str, float], start: str) -> dict[str, float]:
    return {name.removeprefix(start): value for name, value in values.items() if name.startswith(start)}


def _entry(kind: type[Thing], table: Table) -> Thing:
    values = read_keys(kind, table)
    table.done()
    return made(kind, table, values)


@dataclass(frozen=True, slots=True)
class _Listed:
    kind: type
    name: str


_KNOWN: dict[type, tuple[tuple[str, Key | type | _Listed], ...]] = {}
"""Declarations by class: a study asks for them at every variant."""


def _fields(kind: type) -> tuple[tuple[str, Key | type | _Listed], ...]:
    """Return name and declaration of the fields that have one."""
    if kind in _KNOWN:
        return _KNOWN[kind]
    found: list[tuple[str, Key | type | _Listed]] = []
    for each in dataclasses.fields(kind):
        declared = each.metadata.get(_METADATA)
        if isinstance(declared, Key):
            declared = dataclasses.replace(declared, name=declared.name or each.name, field=each.name)
        elif isinstance(declared, _Listed):
            declared = _Listed(declared.kind, declared.name or each.name)
        if declared is not None:
            found.append((each.name, declared))
    return _KNOWN.setdefault(kind, tuple(found))
