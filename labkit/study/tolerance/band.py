"""The band behind a curve while a slider moves: where 95 of 100 rigs lie whose parts are within their tolerances.

The same spreads as in a tolerance study, with `DRAWS` variants instead of thousands, solved in one batch. Every spread
has its own draws, always the same ones, so that a band does not flicker, and what is known of the parts that did not
move is kept from one call to the next.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from labkit.circuit.solve import fast
from labkit.circuit.solve.solver import solve
from labkit.core.by_numpy import beta_shares
from labkit.core.errors import InputError
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.rig import Rig
from labkit.rig.variation import Variation
from labkit.study.measures import decibels
from labkit.study.tolerance.causes import NOT_KNOWN, column_map
from labkit.study.tolerance.spread import COVERAGE, Spread, checked_spreads, default_spreads

DRAWS = 256
"""Variants; even, since every draw has its mirror image."""

BAND_ERROR = 0.15
"""Largest distance of a bound from that of a study of many thousand variants, as a share of half the band's width
there (found over the rigs of the catalogue, knobs from 1 to 10: 0.10)."""

BAND_WORDS = "95 of 100 such rigs: parts within their tolerance, built pickups within their doubt; knobs as set."


@dataclass(frozen=True, slots=True, eq=False)
class GainBand:
    """Bounds of a curve that hold 95 % of the variants at every frequency by itself, dB, each shape (F,)."""

    low_db: np.ndarray
    high_db: np.ndarray


class LiveBand:
    """Returns the band of one rig after another, quickly where the next differs little from the last.

    >>> from labkit.rig.sheet import load_rig
    >>> rig, live = load_rig("Saltmarsh Lane, narrow single coil"), LiveBand()
    >>> band = live(rig, np.array([100.0, 4000.0]))
    >>> bool(np.all(band.low_db < band.high_db))
    True
    """

    def __init__(self) -> None:
        self._last: Variation | None = None
        self._found: tuple[Rig, np.ndarray, GainBand] | None = None

    def __call__(
        self, rig: Rig, frequency_hz: np.ndarray, *, built: Mapping[str, BuiltPickup] = NOT_KNOWN
    ) -> GainBand | None:
        """Return the band of a rig's curve at equal EMF.

        Parameters
        ----------
        rig : Rig
        frequency_hz : ndarray, shape (F,), Hz
        built : mapping of str to BuiltPickup
            Predictions of pickups by slot, where they are not those of the build alone (with a workshop book).

        Returns
        -------
        GainBand or None
            None where nothing of the rig has a tolerance, or a part would come or go inside its own.
        """
        if self._found is not None and self._found[1] is frequency_hz and self._found[0] == rig:
            return self._found[2]
        try:
            columns, spreads = column_map(rig, default_spreads(rig), add=True, built=built)
            spreads = checked_spreads(rig, spreads)
            variation = Variation(rig, columns.ranges(spreads), like=self._last)
            drawn = {name: _drawn(spread) for name, spread in spreads.items()}
            values = variation.values(columns.values(drawn))
        except InputError:
            return None
        if not values:
            return None
        self._last = variation
        found = solve(variation.circuit, frequency_hz, values=values, is_compiled=fast.is_installed())
        levels = decibels(found.transfer)
        levels.sort(axis=0)
        band = GainBand(*(_weights() @ levels))
        self._found = rig, frequency_hz, band
        return band


@lru_cache(maxsize=1)
def _weights() -> np.ndarray:
    """Weights of sorted draws for the 2.5 and 97.5 % quantiles, shape (2, `DRAWS`).

    Each is a mean over neighbouring draws, which scatters less than the nearest one. Source: F. E. Harrell and
    C. E. Davis, Biometrika 69 (1982) 635.
    """
    return np.array([beta_shares((DRAWS + 1) * part, (DRAWS + 1) * (1 - part), DRAWS) for part in (0.025, 0.975)])


def _drawn(spread: Spread) -> np.ndarray:
    """The draws of a spread in its own unit; nothing but numpy, which is all that the lab in a browser has."""
    if spread.shape != "normal":
        return spread.quantile(_draws(spread.name))
    return (spread.low + spread.high) / 2 + (spread.high - spread.low) / 2 / COVERAGE * _normal(spread.name)


@lru_cache(maxsize=1024)
def _normal(name: str) -> np.ndarray:
    return np.array([NormalDist().inv_cdf(part) for part in _draws(name).tolist()])


@lru_cache(maxsize=1024)
def _draws(name: str) -> np.ndarray:
    """The draws of one spread, shape (`DRAWS`,): one in each of as many equal shares of (0, 1), in its own order."""
    generator = np.random.default_rng(zlib.crc32(name.encode()))
    half = (generator.permutation(DRAWS // 2) + 0.5) / DRAWS
    # Which of a pair comes first is drawn as well, or all spreads would be low together.
    first = np.where(generator.random(DRAWS // 2) < 0.5, half, 1 - half)
    return np.concatenate([first, 1 - first])
