"""The steel of a string: its magnetisation curve, the slope that a small vibration sees, and how little of it is known.

A string over a magnet sits high on its curve, near saturation; what it answers to a small change is the reversible
slope there, far below that of the curve itself. No measured curve of music wire or of a wound string's wrap was found:
every number is from memory or judgment, with a wide interval that each prediction carries.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from labkit.pickup.predict.propagation import Doubtful
from labkit.pickup.winding.inductance import MU_0

STEEL_PRIORS: Mapping[str, Doubtful] = MappingProxyType(
    {
        # all from memory or judgment: no measured curve of music wire was found
        "susceptibility": Doubtful(value=250.0, deviation=math.log(1.8), scale="log"),
        "initial_susceptibility": Doubtful(value=70.0, deviation=math.log(1.6), scale="log"),
        "saturation": Doubtful(value=1.95, deviation=0.07),  # T; pure iron has 2.15
        "knee": Doubtful(value=0.6, deviation=0.4),  # 1 is Langevin's curve, 0 Fröhlich's softer one
        # the wrap as a homogeneous sheath: finite elements of one turn give 13 to 84, by the gap between turns
        "wrap_susceptibility": Doubtful(value=20.0, deviation=math.log(1.65), scale="log"),
        "wrap_saturation": Doubtful(value=0.7, deviation=math.log(1.28), scale="log"),  # T
    }
)
"""Best value and standard deviation of every number of `StringSteel`: from memory or judgment, none measured."""

STEEL_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "susceptibility": "susceptibility of string steel",
        "initial_susceptibility": "small-signal susceptibility of string steel",
        "saturation": "saturation of string steel",
        "knee": "knee of the curve of string steel",
        "wrap_susceptibility": "susceptibility of the wrap",
        "wrap_saturation": "saturation of the wrap",
    }
)
"""What the causes of a doubt are called in results."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StringSteel:
    """Magnetic numbers of a string; each may be an array that broadcasts against the fields.

    Parameters
    ----------
    susceptibility : array_like, 1
        Initial slope χ of the anhysteretic curve.
    initial_susceptibility : array_like, 1
        χ_i, slope of a small alternating field without bias.
    saturation : array_like, T
        μ0·M_s.
    knee : array_like
        Part of the curve that follows Langevin's form, 0 … 1; Fröhlich's for the rest.
    wrap_susceptibility : array_like, 1
        Of the wrap along the string, as a homogeneous sheath.
    wrap_saturation : array_like, T
    """

    susceptibility: ArrayLike = STEEL_PRIORS["susceptibility"].value
    initial_susceptibility: ArrayLike = STEEL_PRIORS["initial_susceptibility"].value
    saturation: ArrayLike = STEEL_PRIORS["saturation"].value
    knee: ArrayLike = STEEL_PRIORS["knee"].value
    wrap_susceptibility: ArrayLike = STEEL_PRIORS["wrap_susceptibility"].value
    wrap_saturation: ArrayLike = STEEL_PRIORS["wrap_saturation"].value

    def core(self, field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return M(H) and dM/dH of the core's anhysteretic curve.

        Langevin: M = M_s·(coth q − 1/q), q = 3χH/M_s. Fröhlich: M = χH/(1 + χ|H|/M_s). Both start with the slope χ.

        Parameters
        ----------
        field : ndarray, A/m

        Returns
        -------
        ndarray, A/m; ndarray, 1
        """
        chi = np.asarray(self.susceptibility)
        limit = np.asarray(self.saturation) / MU_0
        scaled = chi * np.abs(field) / limit
        q = np.clip(3 * scaled, 1e-2, 300.0)
        small = np.minimum(3 * scaled, 1e-2)  # below, the two terms of Langevin's form cancel: its series
        tail = 1 / np.tanh(q)
        langevin = np.where(scaled < 1e-2 / 3, small / 3 - small**3 / 45, tail - 1 / q)
        langevin_slope = 3 * chi * np.where(scaled < 1e-2 / 3, 1 / 3 - small**2 / 15, 1 / q**2 - (tail**2 - 1))
        size, slope = langevin, langevin_slope
        share = np.asarray(self.knee)
        if np.any(share != 1):
            size = share * size + (1 - share) * scaled / (1 + scaled)
            slope = share * slope + (1 - share) * chi / (1 + scaled) ** 2
        return limit * np.sign(field) * size, slope

    def wrap(self, field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return M and dM/dH of the wrap, χ_w·H/(1 + χ_w|H|/M_w); arguments as `core`."""
        chi = np.asarray(self.wrap_susceptibility)
        over = 1 + chi * np.abs(field) * MU_0 / np.asarray(self.wrap_saturation)
        return chi * field / over, chi / over**2

    def reversible(self, magnetisation: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """Return the slope that a small vibration sees in the core, min(χ_i·(1 − (M/M_s)²), dM/dH).

        Parameters
        ----------
        magnetisation, slope : ndarray
            From `core`.
        """
        part = magnetisation * MU_0 / np.asarray(self.saturation)
        found: np.ndarray = np.minimum(np.asarray(self.initial_susceptibility) * (1 - part**2), slope)
        return found


def steel_rows(inputs: Mapping[str, np.ndarray]) -> StringSteel:
    """Return steel with one row for each set of inputs, shaped (rows, 1, 1) against (rows, strings, segments).

    Parameters
    ----------
    inputs : mapping of str to ndarray, shape (rows,)
        By the names of `StringSteel`; what is missing keeps its best value.
    """
    given = {name: np.asarray(inputs[name], dtype=float)[:, None, None] for name in STEEL_PRIORS if name in inputs}
    if "knee" in given:
        given["knee"] = np.clip(given["knee"], 0.0, 1.0)
    return StringSteel(**given)
