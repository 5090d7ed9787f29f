"""The difference between two rigs: H_to/H_from, kept finite, with the band in which it is true.

Where the first rig has lost a frequency, dividing by it asks for a boost without limit. The magnitude is therefore
bent over smoothly below a stated greatest boost; the phase stays that of the exact quotient, so there is no delay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.core.errors import InputError
from labkit.core.grid import HIGHEST_HZ, LOWEST_HZ, frequency_grid
from labkit.core.response import gain_db
from labkit.core.validity import range_called
from labkit.sound.render.rendering import Evaluate

DEFAULT_BOOST_DB = 24.0
"""Greatest boost over the level at the reference frequencies: the noise of a 16-bit file (−98 dB) rises to −74 dB."""

BAND_ERROR_DB = 0.2
"""The stated band is where the limit bends the curve by less than this; 0.1 dB is left for the rest of the chain."""

BOOST = range_called("greatest_boost")

_ORDER = 4
_REFERENCE_HZ = (100.0, 1000.0)
_BAND_POINTS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What turns the sound of one rig into that of another.

    Parameters
    ----------
    before, after : callable
        ``evaluate(frequency_hz)`` of the rig that was recorded and of the rig that is wanted, shape (F,).
    greatest_boost_db : float
        Limit of the boost over the mean level of the quotient between 100 Hz and 1 kHz.
    before_name, after_name : str

    Raises
    ------
    InputError
        If a limit is not between 0 and 60 dB, or either rig passes nothing between 100 Hz and 1 kHz.
    """

    before: Evaluate
    after: Evaluate
    greatest_boost_db: float = DEFAULT_BOOST_DB
    before_name: str = "A"
    after_name: str = "B"

    def __post_init__(self) -> None:
        BOOST.check(self.greatest_boost_db)
        grid = frequency_grid(*_REFERENCE_HZ, 64)
        for evaluate, name in ((self.before, self.before_name), (self.after, self.after_name)):
            values = np.asarray(evaluate(grid))
            if values.shape != grid.shape:
                raise InputError(f"the response of '{name}' must be one curve; got shape {values.shape}")
            if not np.all(np.isfinite(values)):
                raise InputError(f"the response of '{name}' is not a finite number at every frequency")
            if gain_db(values).max() < -100:
                raise InputError(f"rig '{name}' passes no sound with these settings, so there is nothing to compare")

    def exact(self, frequency_hz: np.ndarray) -> np.ndarray:
        """H_to/H_from without a limit, shape (F,), complex; infinite where H_from is zero."""
        before, after = self.before(frequency_hz), self.after(frequency_hz)
        with np.errstate(divide="ignore", invalid="ignore"):
            quotient: np.ndarray = np.asarray(after / before)
        return quotient

    @property
    def level_db(self) -> float:
        """Mean level of the quotient between 100 Hz and 1 kHz, dB: how much louder the wanted rig is there."""
        levels = gain_db(self.exact(frequency_grid(*_REFERENCE_HZ, 64)))
        return float(np.mean(levels))

    def limited(self, frequency_hz: np.ndarray) -> np.ndarray:
        """The quotient with its magnitude |D| bent to |D|/(1 + (|D|/D_max)⁴)^¼, shape (F,), complex, never infinite."""
        before, after = np.asarray(self.before(frequency_hz)), np.asarray(self.after(frequency_hz))
        before = np.where(before == 0, 1e-100, before)
        most = 10 ** ((self.level_db + self.greatest_boost_db) / 20)
        # With u = H_to·H_from*, D = u/|H_from|²; the limited D = u/(|H_from|⁸ + (|u|/D_max)⁴)^¼ never divides by zero.
        cross, power = after * np.conj(before), np.abs(before) ** 2
        size = np.abs(cross) / most
        largest = np.maximum(np.maximum(power, size), 1e-300)
        bent = ((power / largest) ** _ORDER + (size / largest) ** _ORDER) ** (1 / _ORDER)
        limited: np.ndarray = cross / (largest * bent)
        return limited

    def band(self, highest_hz: float = HIGHEST_HZ) -> tuple[float, float]:
        """Return the band around 100 Hz … 1 kHz in which the limit changes the curve by less than 0.2 dB, Hz.

        Raises
        ------
        InputError
            If there is none: the recorded rig has lost too much for this boost.
        """
        grid = frequency_grid(LOWEST_HZ, min(HIGHEST_HZ, highest_hz), _BAND_POINTS)
        bent = gain_db(self.exact(grid)) - gain_db(self.limited(grid))
        good = np.isfinite(bent) & (bent < BAND_ERROR_DB)
        middle = int(np.searchsorted(grid, math.sqrt(_REFERENCE_HZ[0] * _REFERENCE_HZ[1])))
        if not good[middle]:
            raise InputError(
                f"'{self.before_name}' has lost so much near {grid[middle]:.0f} Hz that "
                f"{self.greatest_boost_db:g} dB of boost cannot bring '{self.after_name}' back; allow a greater boost"
            )
        low, high = middle, middle
        while low > 0 and good[low - 1]:
            low -= 1
        while high < grid.size - 1 and good[high + 1]:
            high += 1
        return float(grid[low]), float(grid[high])

    def boost_db(self, highest_hz: float = HIGHEST_HZ) -> float:
        """Greatest gain of the limited quotient over its mean level: by how much noise may rise, dB."""
        grid = frequency_grid(LOWEST_HZ, min(HIGHEST_HZ, highest_hz), _BAND_POINTS)
        return float(gain_db(self.limited(grid)).max() - self.level_db)
