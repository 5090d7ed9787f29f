"""What a tolerance study found: bands of the curve, the spread of every measure, and the share inside the windows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.frames import dataframe, dataset
from labkit.core.response import Band
from labkit.core.validity import range_called
from labkit.study.measures import Measure, Window

if TYPE_CHECKING:
    from labkit.study.tolerance.tolerance import ToleranceStudy


VARIANTS = range_called("variants")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSpread:
    """One measure over all variants.

    Attributes
    ----------
    measure : Measure
    nominal : float
        NaN where the nominal curve has no peak.
    mean, low, median, high, least, greatest : float
        ``low`` and ``high`` are the 5 and 95 % bounds, each right within ``within``.
    within : float
        Width of a bin.
    found : int
        Variants that have it (a curve without a peak has no resonance).
    edges, counts : ndarray
        The histogram: edges shape (bins + 1,), counts shape (bins,).
    """

    measure: Measure
    nominal: float
    mean: float
    low: float
    median: float
    high: float
    least: float
    greatest: float
    within: float
    found: int
    edges: np.ndarray
    counts: np.ndarray

    def coarser(self, most: int) -> tuple[np.ndarray, np.ndarray]:
        """Return edges, shape (n + 1,), and counts, shape (n,), of a histogram over what was met, n at most ``most``.

        Raises
        ------
        InputError
            If no variant has this measure.
        """
        inside = np.flatnonzero(self.counts)
        if not inside.size:
            raise InputError(f"no variant has a {self.measure.name}")
        first, last = int(inside[0]), int(inside[-1]) + 1
        step = max(math.ceil((last - first) / most), 1)
        places = np.arange(first, last + step, step)
        summed = np.concatenate([[0], np.cumsum(self.counts)])
        counts: np.ndarray = np.diff(summed[np.minimum(places, len(self.counts))])
        width = self.edges[1] - self.edges[0]
        return self.edges[0] + width * places, counts


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceResult:
    """What a tolerance study found.

    Attributes
    ----------
    study : ToleranceStudy
    count : int
        Variants done; fewer than asked for where the study was stopped.
    complete : bool
    bands_db : ndarray, shape (3, F), dB
        5, 50 and 95 % of all variants lie below, at every frequency by itself.
    extremes_db : ndarray, shape (2, F), dB
        Lowest and highest level met.
    within_db : float
        Width of the widest bin of the curve's histograms: the largest error of a band.
    measures : tuple of MeasureSpread
    share : float or None
        Part of the variants that keep every window; None without windows.
    shares : tuple of (Window, float)
    """

    study: ToleranceStudy
    count: int
    complete: bool
    bands_db: np.ndarray
    extremes_db: np.ndarray
    within_db: float
    measures: tuple[MeasureSpread, ...]
    share: float | None
    shares: tuple[tuple[Window, float], ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Says that a study is too small for percentiles; empty for one that is not."""
        if VARIANTS.holds(self.count):
            return ()
        who = "1 variant has" if self.count == 1 else f"{self.count} variants have"
        needed = f"{VARIANTS.low:g} are needed, so each number is given as it was drawn."
        return (f"{who} no percentiles: at least {needed}",)

    @property
    def share_interval(self) -> tuple[float, float] | None:
        """95 % interval of ``share`` by Wilson's formula for independent draws; wider than needed for Sobol draws.

        Source: E. B. Wilson, J. Amer. Statist. Assoc. 22 (1927) 209.
        """
        if self.share is None:
            return None
        z, n, p = 1.959963984540054, self.count, self.share
        middle = (p + z * z / (2 * n)) / (1 + z * z / n)
        half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return max(middle - half, 0.0), min(middle + half, 1.0)

    @property
    def band(self) -> Band:
        """The middle 90 % of all variants at every frequency, for `labkit.plot_responses`."""
        return Band(
            frequency_hz=self.study.frequency_hz,
            low_db=self.bands_db[0],
            high_db=self.bands_db[2],
            name=f"90 % of {self.count} variants",
        )

    def to_dataframe(self) -> Any:
        """Return a row a measure as a ``pandas.DataFrame``.

        Columns: measure, unit, nominal, mean, p5, p50, p95, lowest, highest, found (variants that have it).

        Raises
        ------
        InputError
            If pandas is not installed.
        """
        many = not self.warnings
        columns: dict[str, list[Any]] = {
            "measure": [item.measure.name for item in self.measures],
            "unit": [item.measure.unit for item in self.measures],
            "nominal": [item.nominal for item in self.measures],
            "mean": [item.mean for item in self.measures],
            "p5": [item.low if many else math.nan for item in self.measures],
            "p50": [item.median if many else math.nan for item in self.measures],
            "p95": [item.high if many else math.nan for item in self.measures],
            "lowest": [item.least for item in self.measures],
            "highest": [item.greatest for item in self.measures],
            "found": [item.found for item in self.measures],
        }
        return dataframe(columns)

    def to_xarray(self) -> Any:
        """Return the curve's band as an ``xarray.Dataset``: level_db over ``percentile`` (5, 50, 95) and frequency_hz.

        Raises
        ------
        InputError
            If xarray is not installed.
        """
        return dataset(
            {
                "level_db": (("percentile", "frequency_hz"), self.bands_db, "dB"),
                "lowest_db": (("frequency_hz",), self.extremes_db[0], "dB"),
                "highest_db": (("frequency_hz",), self.extremes_db[1], "dB"),
            },
            {"percentile": ([5, 50, 95], "%"), "frequency_hz": (self.study.frequency_hz, "Hz")},
            name=self.study.rig.name,
        )

    def measure(self, name: str) -> MeasureSpread:
        """Return one measure by name."""
        for found in self.measures:
            if found.measure.name == name:
                return found
        raise InputError(f"the study has no '{name}'; it has {', '.join(m.measure.name for m in self.measures)}")
