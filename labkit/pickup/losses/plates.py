"""Covers and baseplates: eddy currents in a thin sheet of metal above or below the coil.

The coil's stream function is a sum of plane waves (`labkit.pickup.winding.spectral`). Each wave number k meets its own
image in the sheet, which decays with the sheet's time constant τ = μ0·t/(2ρk): one passive R–L section per wave number.
One or two fitted sections go into the circuit. Overall ± 40 %: side walls, holes and the core's pull on the field are
carried by two factors. A steel baseplate is not modelled.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import custom, made, quantity, read_keys
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.units import UsualRange
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.materials.materials import metal
from labkit.pickup.network import eddy_share
from labkit.pickup.predict.propagation import COVERAGE
from labkit.pickup.winding.inductance import MU_0
from labkit.pickup.winding.spectral import CoilShape, stream_spectrum

PlateKind = Literal["single-coil cover", "two-coil cover", "baseplate"]

STRENGTH: Mapping[PlateKind, SourcedValue] = {
    "single-coil cover": SourcedValue(
        value=1.7,
        unit="1",
        spread=0.68,
        kind="calibrated",
        source="own finite-element calculation of a cover with side walls over a narrow single coil",
        doubt="± 40 % over shapes",
    ),
    "two-coil cover": SourcedValue(
        value=0.6,
        unit="1",
        spread=0.4,
        kind="invented",
        source="assumption, chosen so that covered and bare pairs differ as commonly reported",
        doubt="not validated",
    ),
    "baseplate": SourcedValue(
        value=1.0,
        unit="1",
        spread=0.5,
        kind="derived",
        source="infinite sheet without side walls",
        doubt="a plate ends at the coil's outline, so this is an upper figure; steel plates are not modelled",
    ),
}
"""Factor s on the effect of an infinite sheet, by kind of plate."""

CORE_EXPONENT = 1.85
"""Power of L_core/L_air by which poles strengthen a plate's effect (finite elements, one single coil)."""

MODEL_SPREAD = 0.40
"""Relative half-width (95 %) of a plate's effect."""

THICKNESS = range_called("plate_thickness")
GAP = range_called("plate_gap")

_USUAL_THICKNESS, _USUAL_GAP = UsualRange(low=1e-4, high=2e-3), UsualRange(low=1e-4, high=5e-3)
_BINS = 40
_POINTS = 64  # wave numbers to about 2000 rad/m; a plate 1 mm off sees e^(−4) of those


def _plate_resistivity(table: Table, key: str) -> float:
    name = table.text(key, expected="a metal of the catalogue")
    stuff = table.attempt(key, lambda: metal(name))
    if stuff.permeability.value > 1.5:
        table.fail(key, f"{name} is magnetic; plates of magnetic metal are not modelled")
    return stuff.resistivity.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """A sheet of non-magnetic metal parallel to the coil's face.

    Parameters
    ----------
    kind : "single-coil cover", "two-coil cover" or "baseplate"
    resistivity : float, Ω·m
    thickness : float, m
    gap : float, m
        Between the winding's face and the near side of the sheet.
    side_gap : float or None, m
        Between the winding's side and the walls; the same as ``gap`` where not stated.
    """

    kind: PlateKind = "single-coil cover"
    resistivity: float = custom(name="metal", take=_plate_resistivity, meaning="a metal of the catalogue, not magnetic")
    thickness: float = quantity("m", usual=_USUAL_THICKNESS, meaning="of the sheet")
    gap: float = quantity("m", usual=_USUAL_GAP, meaning="between the winding's face and the near side of the sheet")
    side_gap: float | None = quantity(
        "m",
        default=None,
        usual=_USUAL_GAP,
        low=1e-5,
        meaning="between the winding's side and a cover's walls; `gap` where absent",
    )

    def __post_init__(self) -> None:
        if self.kind not in STRENGTH:
            raise InputError(
                f"plate kind must be a cover or baseplate; got '{self.kind}'.{did_you_mean(self.kind, STRENGTH)}"
            )
        if not 0 < self.resistivity < math.inf:
            raise InputError(f"a cover's resistivity must be above 0 Ω·m; got {self.resistivity} Ω·m")
        THICKNESS.check(self.thickness)
        GAP.check(self.gap)

    @property
    def model_deviation(self) -> float:
        """Relative standard deviation of the effect, from the model alone."""
        return math.hypot(
            MODEL_SPREAD / COVERAGE, THICKNESS.deviation(self.thickness), GAP.deviation(max(self.gap, 1e-5))
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences on how far the prediction may be trusted."""
        found = [
            f"{self.kind}: effect known to ±{100 * MODEL_SPREAD:.0f} % only; shielding of the strings not modelled."
        ]
        if self.kind == "two-coil cover":
            found.append("two-coil cover: its strength is an assumption that no measurement backs.")
        return (*found, *warnings_of((THICKNESS, self.thickness), (GAP, self.gap)))


def cover_from_sheet(table: Table, *, kind: PlateKind) -> Cover:
    """Read a ``cover`` or ``baseplate`` table of a build sheet.

    Raises
    ------
    SheetError
        If a key is missing or unknown, or the metal is not in the catalogue or is magnetic.
    """
    read = made(Cover, table, {"kind": kind} | read_keys(Cover, table))
    table.done()
    return read


@lru_cache(maxsize=32)
def wave_energy(shape: CoilShape, pair_spacing: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return the inductance per turn² in bins of wave number, before the winding's height is taken into account.

    W = (μ0/2)·k·|ψ̂|²/box², summed over the plane; Σ W·2(kh − 1 + e^(−kh))/(kh)² is the air inductance.

    Parameters
    ----------
    shape : CoilShape
    pair_spacing : float or None, m
        Between the middle lines of two equal coils in series with opposite sense: ψ(y−d) − ψ(y+d).

    Returns
    -------
    wave_number : ndarray, shape (B,), rad/m
        Energy-weighted mean of each bin.
    energy : ndarray, shape (B,), H
    """
    box = None
    if pair_spacing is not None:
        box = 3 * max(shape.outer_length, 2 * shape.outer_radius + pair_spacing)
    spectrum = stream_spectrum(shape, box=box, points=_POINTS)
    k = spectrum.wave_number
    count = np.where(np.arange(spectrum.wave_x.size) == 0, 1.0, 2.0)
    weight = MU_0 / 2 * k * spectrum.amplitude**2 / spectrum.box**2 * np.outer(count, count)
    if pair_spacing is not None:
        weight *= 4 * np.sin(spectrum.wave_y * pair_spacing / 2) ** 2
    flat_k, flat_weight = k.ravel()[1:], weight.ravel()[1:]
    edges = np.geomspace(flat_k.min() * 0.999, flat_k.max() * 1.001, _BINS + 1)
    index = np.digitize(flat_k, edges) - 1
    energy = np.bincount(index, flat_weight, minlength=_BINS)
    moment = np.bincount(index, flat_weight * flat_k, minlength=_BINS)
    full = energy > 0
    mean, energy = moment[full] / energy[full], energy[full]
    mean.flags.writeable = energy.flags.writeable = False
    return mean, energy


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateEffect:
    """What a plate takes from a coil's inductance: −Σ L_k·jω/(jω + ω_k).

    Attributes
    ----------
    strength : ndarray, shape (B,), H
        L_k, 0 or more.
    corner_hz : ndarray, shape (B,), Hz
    warnings : tuple of str
    """

    strength: np.ndarray
    corner_hz: np.ndarray
    warnings: tuple[str, ...] = ()

    def inductance(self, frequency_hz: ArrayLike) -> np.ndarray:
        """Return the (negative) complex inductance that the plate adds, H."""
        return -eddy_share(frequency_hz, self.strength, self.corner_hz)

    @property
    def total(self) -> float:
        """Inductance that vanishes at high frequency, H."""
        return float(self.strength.sum())


def plate_effect(
    cover: Cover,
    shape: CoilShape,
    *,
    turns: float,
    core_ratio: float = 1.0,
    pair_spacing: float | None = None,
    strength: float | None = None,
) -> PlateEffect:
    """Return the effect of a plate on a coil.

    ΔL = −s·(L_core/L_air)^1.85·N²·Σ W_k·[(1 − e^(−kh))/(kh)]²·e^(−2kd)·jωτ/(1 + jωτ), τ = μ0·t/(2ρk)

    Parameters
    ----------
    cover : Cover
    shape : CoilShape
    turns : float
        Of one coil.
    core_ratio : float
        Low-frequency inductance with poles over without, 1 or more.
    pair_spacing : float or None, m
        As in `wave_energy`.
    strength : float or None
        In place of the kind's s, for intervals.

    Returns
    -------
    PlateEffect

    Validity: sheet thinner than its distance and than its skin depth; ± 40 %.
    """
    if not core_ratio > 0:
        raise InputError(f"the ratio of inductance with and without poles must be above 0; got {core_ratio}")
    wave, energy = wave_energy(shape, pair_spacing)
    distance = cover.gap + cover.thickness / 2
    kh = wave * shape.winding_height
    factor = STRENGTH[cover.kind].value if strength is None else strength
    coupled = energy * (-np.expm1(-kh) / kh) ** 2 * np.exp(-2 * wave * distance)
    time_constant = MU_0 * cover.thickness / (2 * cover.resistivity * wave)
    return PlateEffect(
        strength=factor * core_ratio**CORE_EXPONENT * turns**2 * coupled,
        corner_hz=1 / (2 * math.pi * time_constant),
        warnings=cover.warnings,
    )
