"""The goal of a search: what the curve shall be, what may be changed, and what it may cost; read from a goal sheet.

A target is met when it is missed by no more than its allowance. ``sounds_like`` compares with the curve of another rig:
the root mean square of the difference in dB over log frequency, after the levels are matched, since a louder sound
is easily taken for a better one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from labkit.catalogue import catalogue, find_sheet, is_path
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.rig.inputs import RigInput, find_input
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, read_rig, set_value
from labkit.study.measures import (
    HEIGHT,
    LEVEL,
    RESONANCE,
    Measure,
    decibels,
    parse_measure,
    read_measures,
    study_grid,
)
from labkit.study.search.preferred import preferred_values

RESONANCE_WITHIN = 0.03
HEIGHT_WITHIN_DB = 0.5
LEVEL_WITHIN_DB = 0.5
LIKE_WITHIN_DB = 0.5
"""Allowances where a sheet states none (our choice: near what two instruments of one make differ by)."""

LIKE_LOW_HZ, LIKE_HIGH_HZ = 80.0, 8000.0
"""Where two rigs are compared: from the lowest note of a guitar to where loudspeakers for it end."""

POINTS = 192
"""Frequencies of a search."""

MOST_CHOICES = 2000

_BUILD_KEYS = frozenset({"coil", "cover", "baseplate", "bar", "temperature", "wax", "spacing", "lead"})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """One thing wanted.

    Attributes
    ----------
    name : str
        For people.
    measure : Measure or None
        None compares with ``curve_db``.
    wanted, within : float
        In the measure's unit; ``within`` is the miss that is still allowed.
    curve_db : ndarray or None, shape (F,), dB
    weights : ndarray or None, shape (F,)
        Sum to 1.
    """

    name: str
    measure: Measure | None
    wanted: float = 0.0
    within: float = 1.0
    curve_db: np.ndarray | None = None
    weights: np.ndarray | None = None

    def values(self, frequency_hz: np.ndarray, levels: np.ndarray) -> np.ndarray:
        """Return what curves, shape (V, F), have of this, shape (V,)."""
        if self.measure is not None:
            found: np.ndarray = read_measures([self.measure], frequency_hz, levels)[0]
            return found
        assert self.curve_db is not None
        assert self.weights is not None
        difference = levels - self.curve_db
        difference = difference - (difference @ self.weights)[:, None]
        distance: np.ndarray = np.sqrt((difference * difference) @ self.weights)
        return distance

    def misses(self, values: np.ndarray) -> np.ndarray:
        """Return by how many allowances values miss it, with sign; infinite where there is nothing to compare."""
        missed = (values - self.wanted) / self.within
        return np.where(np.isnan(missed), np.inf, missed)

    def shown(self, value: float) -> str:
        """Return a value for people."""
        if math.isnan(value):
            return "none"
        return self.measure.shown(value) if self.measure is not None else f"{value:.2f} dB"

    @property
    def text(self) -> str:
        """What is wanted, in words."""
        if self.measure is None:
            return f"{self.name} within {self.within:g} dB"
        return f"{self.name} {self.shown(self.wanted)} ± {self.shown(self.within).lstrip('+')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Freedom:
    """One thing that may be changed.

    Attributes
    ----------
    name : str
        Input name, or (``input`` None) a switch, a pickup slot or a key of a build sheet.
    input : RigInput or None
    choices : tuple
        Numbers (SI) for an input, texts otherwise; empty for a continuous range.
    low, high : float
        Ends of a continuous range.
    prices : tuple of float
        One for each choice.
    """

    name: str
    input: RigInput | None
    choices: tuple[Any, ...] = ()
    low: float = 0.0
    high: float = 0.0
    prices: tuple[float, ...] = ()

    @property
    def is_continuous(self) -> bool:
        """True for a range without steps."""
        return not self.choices

    def shown(self, value: Any) -> str:
        """Return a value for people."""
        return self.input.shown(value, 3) if self.input is not None and not isinstance(value, str) else str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What a search is for.

    Attributes
    ----------
    name : str
    rig : Rig
        Where it starts from.
    targets : tuple of Target
    freedoms : tuple of Freedom
    frequency_hz : ndarray, shape (F,), Hz
    budget : float or None
        Highest sum of prices, in whatever currency the sheet uses.
    results : int
        Solutions wanted.
    """

    name: str
    rig: Rig
    targets: tuple[Target, ...]
    freedoms: tuple[Freedom, ...]
    frequency_hz: np.ndarray
    budget: float | None = None
    results: int = 5
    note: str = field(default="", compare=False)


def like(rig: Rig, frequency_hz: np.ndarray, *, within_db: float = LIKE_WITHIN_DB, name: str = "") -> Target:
    """Return the target of sounding like a rig, on a grid of log frequencies."""
    inside = (frequency_hz >= LIKE_LOW_HZ) & (frequency_hz <= LIKE_HIGH_HZ)
    step = np.gradient(np.log(frequency_hz)) * inside
    return Target(
        name=name or f"like {rig.name}",
        measure=None,
        within=within_db,
        curve_db=decibels(rig.evaluate(frequency_hz)),
        weights=step / step.sum(),
    )


def freedom(
    rig: Rig,
    name: str,
    *,
    choices: Sequence[str | float] = (),
    series: str | None = None,
    low: str | float | None = None,
    high: str | float | None = None,
    step: str | float | None = None,
    prices: Sequence[float] = (),
) -> Freedom:
    """Return what may be changed: given choices, a series of preferred values, even steps, or a range.

    Raises
    ------
    InputError
        If nothing of the rig has that name, or the values do not suit it.
    """
    item = _input_or_none(rig, name)
    if item is None:
        texts = tuple(str(choice) for choice in choices)
        if series is not None or low is not None or not texts:
            raise InputError(f"'{name}' is a choice, not a number (or is no part of the rig): list its choices")
        _check_choices(rig, name, texts)
        return Freedom(name=name, input=None, choices=texts, prices=_prices(name, prices, len(texts)))
    read = [item.parse(choice) if isinstance(choice, str) else float(choice) for choice in choices]
    limits = [item.parse(end) if isinstance(end, str) else end for end in (low, high)]
    if series is not None or not read:
        if limits[0] is None or limits[1] is None:
            raise InputError(f"'{name}': give choices, or the ends of a range (from and to)")
        if not limits[0] <= limits[1]:
            raise InputError(f"'{name}': a range runs from low to high; got {low} to {high}")
        if series is not None:
            read = list(preferred_values(series, float(limits[0]), float(limits[1])))
        elif step is not None:
            width = item.parse(step) if isinstance(step, str) else float(step)
            if not width > 0:
                raise InputError(f"'{name}': a step must be above 0; got {step}")
            count = math.floor((limits[1] - limits[0]) / width * (1 + 1e-12)) + 1
            if count > MOST_CHOICES:
                raise InputError(f"'{name}': {count} steps are more than the {MOST_CHOICES} allowed; widen the step")
            read = [limits[0] + width * place for place in range(count)]
    if read:
        return Freedom(name=item.name, input=item, choices=tuple(read), prices=_prices(name, prices, len(read)))
    if prices:
        raise InputError(f"'{name}': prices belong to choices or a series, not to a range")
    return Freedom(name=item.name, input=item, low=float(limits[0]), high=float(limits[1]))  # type: ignore[arg-type]


def _check_choices(rig: Rig, name: str, texts: Sequence[str]) -> None:
    """Refuse a choice that is none; one that cannot be built by itself may still fit beside others."""
    is_built = getattr(rig.pickups.get(name.partition(".")[0]), "made_from", None) is not None and "." in name
    failed: list[InputError] = []
    for text in texts:
        if name.endswith(".wire"):
            catalogue().item("wire", text)
        try:
            set_value(rig, name, text)
        except InputError as error:
            if not is_built:
                raise
            failed.append(error)
    if len(failed) == len(texts):
        raise failed[0]


def load_goal(sheet: str | Path, *, also: Iterable[str] = ()) -> Goal:
    """Load a goal by path or catalogue name; ``also`` are names that would have been understood as well.

    Raises
    ------
    InputError
        If nothing answers to the name, or the sheet cannot be read.
    """
    return read_goal(find_sheet(sheet, "goal", also=also))


def read_goal(table: Table) -> Goal:
    """Read a goal sheet.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    table.allow("sheet", "format", "summary", "note")
    name = table.text("name", expected="the goal's name")
    rig = _read_rig_of(table, "rig")
    for control, text in table.table("set", {}).data.items():
        rig = table.attempt(f"set.{control}", lambda rig=rig, c=control, t=text: set_value(rig, c, str(t)))  # type: ignore[misc]
    budget = table.number("budget", None, low=0.0)
    results = int(table.number("results", 5, low=1, high=50))
    freedoms = []
    for entry in table.tables("vary"):
        freedoms.append(_read_freedom(rig, entry))
    names = [item.name for item in freedoms]
    for repeated in {item for item in names if names.count(item) > 1}:
        table.fail("vary", f"'{repeated}' is listed twice")
    if not freedoms:
        table.fail("vary", 'nothing may be changed; add [[vary]] with part = "tone_capacitor", for example')
    wanted = table.table("target")
    measures = _measures_of(wanted)
    grid = table.attempt("target", lambda: study_grid(POINTS, measures))
    targets = _read_targets(wanted, grid)
    table.done()
    return Goal(
        name=name,
        rig=rig,
        targets=targets,
        freedoms=tuple(freedoms),
        frequency_hz=grid,
        budget=budget,
        results=results,
    )


def _read_rig_of(table: Table, key: str) -> Rig:
    value = table.raw(key, expected="the name of a rig, the path of a rig sheet, or a table")
    if isinstance(value, dict):
        return read_rig(table.table(key))
    if not isinstance(value, str):
        table.fail(key, f"must be the name of a rig or the path of a rig sheet; got {value!r}"[:200])
    sheet = value if table.folder is None or not is_path(value) else table.folder / value
    return table.attempt(key, lambda: load_rig(sheet))


def _read_freedom(rig: Rig, entry: Table) -> Freedom:
    part = entry.text("part", expected='what may be changed, such as "tone_capacitor" or "cable.length"')
    choices = entry.raw("choices", [])
    if not isinstance(choices, list) or not all(isinstance(c, str | int | float) for c in choices):
        entry.fail("choices", 'must be a list such as ["250 kΩ", "500 kΩ"]')
    prices = entry.raw("prices", [])
    if not isinstance(prices, list) or not all(isinstance(p, int | float) and p >= 0 for p in prices):
        entry.fail("prices", "must be a list of numbers, one for each choice")
    series = entry.text("series", None, expected="a series such as E12")
    low, high, step = (entry.raw(key, None) for key in ("from", "to", "step"))
    entry.done()
    return entry.attempt(
        "",
        lambda: freedom(
            rig, part, choices=choices, series=series, low=low, high=high, step=step, prices=[float(p) for p in prices]
        ),
    )


def _measures_of(wanted: Table) -> list[Measure]:
    levels = wanted.table("levels", {})
    return [wanted.attempt("levels", lambda at=at: parse_measure(f"level at {at}")) for at in levels.data]  # type: ignore[misc]


def _read_targets(wanted: Table, grid: np.ndarray) -> tuple[Target, ...]:
    found: list[Target] = []
    resonance = wanted.quantity("resonance", "Hz", None, low=1.0)
    part = wanted.quantity("resonance_within", "1", RESONANCE_WITHIN, low=1e-6, high=1.0)
    if resonance is not None:
        found.append(Target(name=RESONANCE, measure=Measure(RESONANCE), wanted=resonance, within=part * resonance))
    for key, default in ((HEIGHT, HEIGHT_WITHIN_DB), (LEVEL, LEVEL_WITHIN_DB)):
        value = wanted.quantity(key, "dB", None)
        within = wanted.quantity(f"{key}_within", "dB", default, low=1e-6)
        if value is not None:
            found.append(Target(name=key, measure=Measure(key), wanted=value, within=within))
    within = wanted.quantity("levels_within", "dB", LEVEL_WITHIN_DB, low=1e-6)
    levels = wanted.table("levels", {})
    for at in levels.data:
        measure = parse_measure(f"level at {at}")
        value = levels.quantity(at, "dB")
        found.append(Target(name=measure.name, measure=measure, wanted=value, within=within))
    like_within = wanted.quantity("like_within", "dB", LIKE_WITHIN_DB, low=1e-6)
    if "sounds_like" in wanted:
        found.append(like(_read_rig_of(wanted, "sounds_like"), grid, within_db=like_within))
    wanted.done()
    if not found:
        wanted.fail("", "nothing is wanted; give resonance, height, level, levels or sounds_like")
    return tuple(found)


def _input_or_none(rig: Rig, name: str) -> RigInput | None:
    slot, _, key = name.partition(".")
    is_built = getattr(rig.pickups.get(slot), "made_from", None) is not None
    if is_built and key.partition(".")[0] in _BUILD_KEYS:
        return None
    if name in rig.pickups or any(name == selector.name for selector in rig.harness.selectors):
        return None
    return find_input(rig, name)


def _prices(name: str, prices: Sequence[float], count: int) -> tuple[float, ...]:
    if prices and len(prices) not in (1, count):
        raise InputError(f"'{name}': {count} choices need as many prices, or one for all; got {len(prices)}")
    return tuple(prices) if len(prices) != 1 else tuple(prices) * count


def structural(freedoms: Sequence[Freedom]) -> tuple[Freedom, ...]:
    """Return the freedoms that change more than numbers: switches, pickups, builds."""
    return tuple(item for item in freedoms if item.input is None)


def applied(rig: Rig, choices: Mapping[str, str]) -> Rig:
    """Return a rig with structural choices made."""
    for name, text in choices.items():
        rig = set_value(rig, name, text)
    return rig
