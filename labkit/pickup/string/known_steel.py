"""What measurements say of the steel of strings: six numbers with their shared doubt, kept as a sheet.

A lifted string (`labkit.bench.shim`) gives volts per velocity; from several strings the numbers of `STEEL_PRIORS` are
updated as a linear model with normal doubts, those on a logarithmic scale in logarithms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from labkit.catalogue import find_sheet, is_path
from labkit.core.errors import InputError
from labkit.core.keys import custom, read_keys, text
from labkit.core.sheet import Table, sheet_text
from labkit.pickup.string.steel import STEEL_NAMES, STEEL_PRIORS

SHEET_KIND = "string steel"

DRAWS = 64
"""Draws of the steel's numbers; the same for every pickup."""

_BASES = (2, 3, 5, 7, 11, 13)
_NUMBERS = len(STEEL_PRIORS)
_IS_LOG = np.array([doubt.scale == "log" for doubt in STEEL_PRIORS.values()])
_LIMITS = {"knee": (-1.0, 2.0), "saturation": (0.5, 3.0)}  # the rest must be above 0


def _rows(table: Table, key: str, count: int) -> tuple[tuple[float, ...], ...]:
    rows = table.raw(key, expected=f"{count} lists of {_NUMBERS} numbers")
    good = (
        isinstance(rows, list)
        and len(rows) == count
        and all(
            isinstance(row, list)
            and len(row) == _NUMBERS
            and all(isinstance(each, int | float) and not isinstance(each, bool) and abs(each) < 1e6 for each in row)
            for row in rows
        )
    )
    if not good:
        table.fail(key, f"must be {count} lists of {_NUMBERS} numbers each, in the order {', '.join(STEEL_PRIORS)}")
    return tuple(tuple(float(each) for each in row) for row in rows)


def _values(table: Table, key: str) -> tuple[float, ...]:
    inner = table.table(key)
    found = tuple(
        float(inner.number(name, low=_LIMITS.get(name, (1e-3, 1e6))[0], high=_LIMITS.get(name, (1e-3, 1e6))[1]))
        for name in STEEL_PRIORS
    )
    inner.done()
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownSteel:
    """The numbers of `StringSteel` as measurements leave them.

    Parameters
    ----------
    name : str
    rests_on : str
        What was measured, in words.
    values : tuple of float
        Best values in the order and units of `STEEL_PRIORS`.
    covariance : tuple of tuple of float
        Of the numbers, of their logarithms where `STEEL_PRIORS` says so.

    Raises
    ------
    InputError
        If the covariance is none.
    """

    name: str = text(meaning="what the strings or the shop are called")
    rests_on: str = text(default="", meaning="what was measured, in words")
    values: tuple[float, ...] = custom(take=_values, form="table of six numbers", meaning="best values, in 1 and T")
    covariance: tuple[tuple[float, ...], ...] = custom(
        take=lambda table, key: _rows(table, key, _NUMBERS),
        form="six lists of six numbers",
        meaning="of the six numbers, of logarithms where they are susceptibilities or the wrap's saturation",
    )

    def __post_init__(self) -> None:
        matrix = np.array(self.covariance)
        if not np.allclose(matrix, matrix.T, rtol=1e-6, atol=1e-12) or np.linalg.eigvalsh(matrix).min() < -1e-9:
            raise InputError("`covariance` must be symmetric and positive; keep the lists as labkit shim wrote them")

    @property
    def centre(self) -> np.ndarray:
        """Best values, as logarithms where they are known as ratios, shape (6,)."""
        values = np.array(self.values)
        return np.where(_IS_LOG, np.log(np.where(_IS_LOG, values, 1.0)), values)

    @property
    def named_values(self) -> Mapping[str, float]:
        """Best values by name, in the units of `STEEL_PRIORS`."""
        return MappingProxyType(dict(zip(STEEL_PRIORS, self.values)))

    @property
    def deviations(self) -> Mapping[str, float]:
        """One standard deviation of each number, a ratio less 1 on a logarithmic scale."""
        return MappingProxyType(dict(zip(STEEL_PRIORS, np.sqrt(np.diag(np.array(self.covariance))).tolist())))

    def updated(
        self,
        slopes: np.ndarray,
        predicted: np.ndarray,
        measured: np.ndarray,
        noise: np.ndarray,
        *,
        name: str,
        rests_on: str,
    ) -> KnownSteel:
        """Return what is known after a measurement y = predicted + slopes·(θ − centre) + noise.

        θ' = θ + K·(measured − predicted), P' = (1 − K·J)·P, K = P·Jᵀ·(J·P·Jᵀ + R)⁻¹.

        Parameters
        ----------
        slopes : ndarray, shape (n, 6)
            J.
        predicted, measured : ndarray, shape (n,)
        noise : ndarray, shape (n, n)
            R, covariance of all that is not the steel.
        name, rests_on : str
        """
        before = np.array(self.covariance)
        gain = before @ slopes.T @ np.linalg.inv(slopes @ before @ slopes.T + noise)
        left = np.eye(_NUMBERS) - gain @ slopes
        after = left @ before @ left.T + gain @ noise @ gain.T  # Joseph's form: stays symmetric and positive
        centre = self.centre + gain @ (measured - predicted)
        return KnownSteel(
            name=name,
            rests_on="; ".join(part for part in (self.rests_on, rests_on) if part),
            values=tuple(np.where(_IS_LOG, np.exp(np.where(_IS_LOG, centre, 0.0)), centre).tolist()),
            covariance=tuple(tuple(row) for row in ((after + after.T) / 2).tolist()),
        )


def unmeasured_steel() -> KnownSteel:
    """Return what is known before any measurement: `STEEL_PRIORS`, each by itself."""
    return KnownSteel(
        name="not measured",
        values=tuple(doubt.value for doubt in STEEL_PRIORS.values()),
        covariance=tuple(map(tuple, np.diag([doubt.deviation**2 for doubt in STEEL_PRIORS.values()]).tolist())),
    )


def steel_change(before: KnownSteel | None, after: KnownSteel) -> tuple[tuple[str, str, str], ...]:
    """Return for every number its name, and its value with one standard deviation before and after a measurement."""
    rows = []
    for name, doubt in STEEL_PRIORS.items():
        was, now = (
            f"{each.named_values[name]:.3g}{' T' if 'saturation' in name else ''} ± "
            + (f"{100 * each.deviations[name]:.0f} %" if doubt.scale == "log" else f"{each.deviations[name]:.2f}")
            for each in (unmeasured_steel() if before is None else before, after)
        )
        rows.append((STEEL_NAMES[name], was, now))
    return tuple(rows)


@lru_cache(maxsize=16)
def steel_draws(steel: KnownSteel | None = None) -> Mapping[str, np.ndarray]:
    """Return the draws of every number of the steel, best values first, shape (1 + DRAWS,) each, read-only.

    An even (Halton) sequence over the distributions. Without a measurement the knee is one curve or the other; with one
    it lies between them.
    """
    place = NormalDist()
    even = np.array([[_radical_inverse(index, base) for base in _BASES] for index in range(1, DRAWS + 1)])
    normal = np.vectorize(place.inv_cdf)(even)
    known = unmeasured_steel() if steel is None else steel
    scales, turned = np.linalg.eigh(np.array(known.covariance))
    root = turned @ np.diag(np.sqrt(scales.clip(min=0.0))) @ turned.T
    drawn = known.centre + normal @ root
    drawn = np.where(_IS_LOG, np.exp(np.where(_IS_LOG, drawn, 0.0)), drawn)
    found = {}
    for at, (name, value) in enumerate(zip(STEEL_PRIORS, known.values)):
        column = drawn[:, at]
        if name == "knee":
            column = (even[:, at] < value).astype(float) if steel is None else column.clip(0.0, 1.0)
            value = min(max(value, 0.0), 1.0)
        found[name] = np.concatenate([[value], column])
        found[name].flags.writeable = False
    return MappingProxyType(found)


def _radical_inverse(index: int, base: int) -> float:
    value, part = 0.0, 1.0 / base
    while index:
        index, digit = divmod(index, base)
        value += digit * part
        part /= base
    return value


def coordinates(draws: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return draws as `KnownSteel` counts its numbers, logarithms where they are ratios, shape (rows, 6)."""
    columns = np.stack([draws[name] for name in STEEL_PRIORS], axis=1)
    return np.where(_IS_LOG, np.log(np.where(_IS_LOG, columns, 1.0)), columns)


def steel_from_sheet(table: Table) -> KnownSteel:
    """Read a ``string steel`` sheet."""
    table.allow("sheet", "format", "note", "summary", "source")
    values = read_keys(KnownSteel, table)
    table.done()
    return table.attempt("covariance", lambda: KnownSteel(**values))


def read_known_steel(name: str, folder: Path | None = None) -> KnownSteel:
    """Read a sheet by its path, from ``folder`` or from where the command runs, or by its name in the catalogue."""
    beside = folder / name if folder is not None and is_path(name) else None
    return steel_from_sheet(find_sheet(beside if beside is not None and beside.is_file() else name, SHEET_KIND))


def steel_text(steel: KnownSteel) -> str:
    """Return the sheet of a known steel."""
    return sheet_text(
        SHEET_KIND,
        {
            "name": steel.name,
            "rests_on": steel.rests_on,
            "values": {name: float(f"{value:.7g}") for name, value in zip(STEEL_PRIORS, steel.values)},
            "covariance": [[float(f"{each:.9g}") for each in row] for row in steel.covariance],
        },
    )
