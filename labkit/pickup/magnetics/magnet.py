"""Magnets: the second-quadrant curve of a grade, and where rods of it settle in their own and their neighbours' field.

A short alnico rod never keeps its remanence: its own end charges drive it down the curve. The curve is written as
polarisation over field, J(H), not as B(H): a hyperbola in B–H turns back for the square curve of alnico 5 and Newton's
method then diverges. Grades come from catalogue sheets; each value carries its source and its doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.keys import read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.validity import Range, range_called, warnings_of
from labkit.pickup.magnetics.slices import Rods, interaction_matrix
from labkit.pickup.materials.materials import sourced_key
from labkit.pickup.winding.inductance import MU_0

Family = Literal["alnico", "ferrite"]

REFERENCE_CELSIUS = 20.0
"""Temperature of the catalogue values."""

CHARGE = range_called("charge")
MAGNET_TEMPERATURE = range_called("magnet_temperature")

_MOST_STEPS = 60
_SMALLEST_STEP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetGrade:
    """A magnet material.

    Parameters
    ----------
    name : str
    family : "alnico" or "ferrite"
    remanence : SourcedValue, T
    coercivity : SourcedValue, A/m
        Field at which the polarisation vanishes, as a positive number.
    energy_product : SourcedValue, J/m³
        Largest −B·H.
    recoil_permeability : SourcedValue, "1"
        As handbooks print it: slope of minor loops.
    signal_permeability : SourcedValue, "1"
        For fields as small as a coil's; this one adds inductance.
    resistivity : SourcedValue, Ω·m
    temperature_coefficient : SourcedValue, 1/K
        Reversible, of the remanence.
    density : SourcedValue, kg/m³
    highest_temperature : SourcedValue, °C
    coercivity_temperature_coefficient : SourcedValue or None, 1/K
        Of the coercivity, reversible; None where it is not known.
    shock_loss : SourcedValue or None
        Part of the magnetisation that a fall from a bench costs; None where it is not known.
    """

    name: str = text(meaning="its name")
    family: Family = text(options=get_args(Family), meaning="family of magnet")
    remanence: SourcedValue = sourced_key("T", low=1e-12, meaning="of the saturated material")
    coercivity: SourcedValue = sourced_key(
        "A/m", low=1e-12, meaning="field at which the polarisation vanishes, as a positive number"
    )
    energy_product: SourcedValue = sourced_key("J/m³", low=1e-12, meaning="largest −B·H")
    recoil_permeability: SourcedValue = sourced_key("1", low=1.0, high=100.0, meaning="relative, slope of minor loops")
    signal_permeability: SourcedValue = sourced_key(
        "1", low=1.001, high=100.0, meaning="relative, for fields as small as a coil's"
    )
    resistivity: SourcedValue = sourced_key("Ω·m", low=1e-12, meaning="at 20 °C")
    temperature_coefficient: SourcedValue = sourced_key(
        "1/K", low=-0.02, high=0.02, meaning="of the remanence, reversible"
    )
    density: SourcedValue = sourced_key("kg/m³", low=1e-12, meaning="density")
    highest_temperature: SourcedValue = sourced_key(
        "°C", low=20.0, high=1200.0, meaning="that it stands without lasting loss"
    )
    coercivity_temperature_coefficient: SourcedValue | None = sourced_key(
        "1/K", low=-0.02, high=0.02, default=None, meaning="of the coercivity, reversible; unknown where absent"
    )
    shock_loss: SourcedValue | None = sourced_key(
        "1", low=0.0, high=0.5, default=None, meaning="magnetisation lost in a fall from a bench; unknown where absent"
    )

    @property
    def temperature_range(self) -> Range:
        """`MAGNET_TEMPERATURE` up to the highest temperature of this grade."""
        return MAGNET_TEMPERATURE.up_to(self.highest_temperature.value)

    @property
    def shape(self) -> float:
        """Shape a of the J–H curve that meets the energy product."""
        return curve_shape(
            remanence=self.remanence.value,
            coercivity=self.coercivity.value,
            energy_product=self.energy_product.value,
        )


def magnet_from_sheet(table: Table) -> MagnetGrade:
    """Read a ``magnet`` entry of the catalogue.

    Raises
    ------
    SheetError
        Naming the sheet, the key and what was expected.
    """
    read = MagnetGrade(**read_keys(MagnetGrade, table))
    table.attempt("energy_product", lambda: read.shape)
    table.done()
    return read


def magnet(name: str) -> MagnetGrade:
    """Return a magnet grade of the catalogue by name, such as ``"Alnico 5"``.

    Raises
    ------
    InputError
        If there is none of that name; says the nearest.
    """
    return magnet_from_sheet(catalogue().item("magnet", name).table())


def polarisation(*, field: ArrayLike, remanence: ArrayLike, coercivity: ArrayLike, shape: ArrayLike) -> np.ndarray:
    """Return J(H) = B_r(H_c + H)/(H_c + aH) of the second quadrant.

    Parameters
    ----------
    field : array_like, A/m
        −H_c … 0.
    remanence : array_like, T
    coercivity : array_like, A/m
    shape : array_like
        a, below 1; nearer 1 is squarer.

    Returns
    -------
    ndarray, T
    """
    applied, limit = np.asarray(field), np.asarray(coercivity)
    value: np.ndarray = np.asarray(remanence) * (limit + applied) / (limit + np.asarray(shape) * applied)
    return value


@lru_cache(maxsize=256)
def curve_shape(*, remanence: float, coercivity: float, energy_product: float) -> float:
    """Return the shape a for which the largest −B·H of the curve is the energy product, by bisection.

    Parameters
    ----------
    remanence : float, T
    coercivity : float, A/m
    energy_product : float, J/m³

    Raises
    ------
    InputError
        If no curve through that remanence and coercivity has that energy product.

    >>> round(curve_shape(remanence=1.28, coercivity=51e3, energy_product=43.8e3), 2)
    0.96
    """
    field = -np.linspace(0.0, coercivity, 1501)

    def product(shape: float) -> float:
        flux = polarisation(field=field, remanence=remanence, coercivity=coercivity, shape=shape) + MU_0 * field
        return float(np.max(-flux * field))

    low, high = -30.0, 1 - 1e-9
    if not product(low) < energy_product < product(high):
        raise InputError(
            f"no demagnetisation curve with {remanence:g} T and {coercivity / 1e3:g} kA/m has an energy product of "
            f"{energy_product / 1e3:g} kJ/m³; "
            f"it must lie between {product(low) / 1e3:.3g} and {product(high) / 1e3:.3g}"
        )
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if product(middle) < energy_product else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingPoint:
    """Where rods of a magnet settle.

    Attributes
    ----------
    rods : Rods
    magnetisation : ndarray, shape (rods, slices), A/m, read-only
        Charge and temperature included.
    steps : int
        Newton steps taken.
    warnings : tuple of str
    """

    rods: Rods
    magnetisation: np.ndarray
    steps: int
    warnings: tuple[str, ...] = ()

    @property
    def mean_polarisation(self) -> np.ndarray:
        """Mean μ0·M of each rod, shape (rods,), T."""
        mean: np.ndarray = MU_0 * (self.magnetisation @ np.diff(self.rods.edges)) / self.rods.length
        return mean


def operating_point(
    rods: Rods,
    grade: MagnetGrade,
    *,
    charge: float = 1.0,
    celsius: float = REFERENCE_CELSIUS,
    remanence: float | None = None,
    coercivity: float | None = None,
) -> OperatingPoint:
    """Return the magnetisation of fully saturated rods left in their own field, times charge and temperature.

    Solves (N·M)_i = H_c(M_i − M_s)/(M_s − aM_i), M_s = B_r/μ0, by damped Newton steps.

    Parameters
    ----------
    rods : Rods
    grade : MagnetGrade
    charge : float
        Fraction of the saturated state that is left, 0 … 1; it multiplies M.
    celsius : float, °C
    remanence, coercivity : float or None, T and A/m
        In place of the grade's, for intervals.

    Returns
    -------
    OperatingPoint

    Raises
    ------
    InputError
        If the charge lies outside 0 … 1 or the steps do not settle.

    Validity: rods in air, no steel nearby; reversible temperature effects only. What shock, heat and foreign fields
    have taken cannot be predicted: enter the charge that is measured.
    """
    CHARGE.check(charge)
    MAGNET_TEMPERATURE.check(celsius)
    saturation = (grade.remanence.value if remanence is None else remanence) / MU_0
    limit = grade.coercivity.value if coercivity is None else coercivity
    magnetisation, steps = _saturated(rods, saturation, limit, grade.shape)
    factor = charge * temperature_factor(celsius=celsius, coefficient=grade.temperature_coefficient.value)
    result = magnetisation.reshape(len(rods.positions), rods.slices) * factor
    result.flags.writeable = False
    warnings = warnings_of((grade.temperature_range, celsius))
    return OperatingPoint(rods=rods, magnetisation=result, steps=steps, warnings=warnings)


@lru_cache(maxsize=64)
def _saturated(rods: Rods, saturation: float, coercivity: float, shape: float) -> tuple[np.ndarray, int]:
    """What `settle` finds for rods by themselves: charge and temperature only multiply it."""
    found, steps = settle(interaction_matrix(rods), saturation=saturation, coercivity=coercivity, shape=shape)
    found.flags.writeable = False
    return found, steps


def settle(interaction: np.ndarray, *, saturation: float, coercivity: float, shape: float) -> tuple[np.ndarray, int]:
    """Return the magnetisation that satisfies the curve in its own field, and the steps taken.

    Parameters
    ----------
    interaction : ndarray, shape (K, K)
        H = N·M.
    saturation, coercivity : float, A/m
    shape : float

    Returns
    -------
    ndarray, shape (K,), A/m; int
    """
    state = np.full(len(interaction), 0.3 * saturation)
    ceiling = saturation / max(shape, 1.0)

    def miss(trial: np.ndarray) -> np.ndarray:
        difference: np.ndarray = interaction @ trial - coercivity * (trial - saturation) / (saturation - shape * trial)
        return difference

    error = miss(state)
    for step in range(1, _MOST_STEPS + 1):
        slope = coercivity * saturation * (1 - shape) / (saturation - shape * state) ** 2
        change = np.linalg.solve(interaction - np.diag(slope), -error)
        size = 1.0
        while size > _SMALLEST_STEP:
            trial = state + size * change
            if np.all(trial < ceiling):
                trial_error = miss(trial)
                if np.linalg.norm(trial_error) < np.linalg.norm(error):
                    break
            size /= 2
        else:
            break
        state, error = trial, trial_error
        if np.max(np.abs(change)) < 1e-9 * saturation:
            return state, step
    if np.linalg.norm(error) < 1e-6 * coercivity:
        return state, _MOST_STEPS  # rounding keeps the last step from shrinking further
    raise InputError("the operating point of these magnets did not settle; check remanence, coercivity and lengths")


def temperature_factor(*, celsius: ArrayLike, coefficient: ArrayLike) -> np.ndarray:
    """Return 1 + α(T − 20 °C), the reversible change of magnetisation.

    Parameters
    ----------
    celsius : array_like, °C
    coefficient : array_like, 1/K

    >>> float(temperature_factor(celsius=70.0, coefficient=-2e-4))
    0.99
    """
    return np.asarray(1 + np.asarray(coefficient) * (np.asarray(celsius) - REFERENCE_CELSIUS))
