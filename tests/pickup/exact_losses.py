"""Eddy currents exactly as modelled instead of as fitted sections, for the solver, and how far the sections are off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from labkit.circuit.elements import Coupling, CustomAdmittance, Element, Inductor, Resistor
from labkit.core.errors import InputError
from labkit.pickup.electrical import EddySection
from labkit.pickup.losses.cylinder import FIT_HIGH_HZ, FIT_LOW_HZ, CoreInductance
from labkit.pickup.network import eddy_share, pickup_elements
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.model import nominal
from labkit.pickup.predict.plan import BuildPlan, plan_of

_TIGHT = 0.999
"""Coupling of the two inductors that carry nothing but the mutual inductance of a pair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InductanceAdmittance:
    """Admittance row 1/(jω·(L − lost(f))), siemens, of an inductance that eddy currents diminish.

    Parameters
    ----------
    inductance : float, H
        At low frequency.
    lost : callable
        ``lost(frequency_hz) -> complex``, H.
    """

    inductance: float
    lost: Callable[[np.ndarray], np.ndarray]

    def __call__(self, omega: np.ndarray, /) -> np.ndarray:
        """Return the admittance at ω > 0, rad/s, shape (F,)."""
        left = self.inductance - self.lost(omega / (2 * math.pi))
        admittance: np.ndarray = 1 / (1j * omega * left)
        return admittance


def exact_elements(slot: str, built: BuiltPickup, *, rewired: bool = False) -> tuple[Element, ...]:
    """Return the elements of a built pickup with the exact cylinder and plate terms.

    SPICE and formulas cannot take them. The same as `network.pickup_elements`, but for one `CustomAdmittance` in place
    of each built coil's fitted sections.

    Parameters
    ----------
    slot : str
    built : BuiltPickup
    rewired : bool
        As there.

    Returns
    -------
    tuple of Element

    Raises
    ------
    InputError
        If a coupled pickup has one coil by values.
    """
    plan = plan_of(built.build)
    exact = {name for name, coil in built.build.coils if coil.values is None}
    coupled = built.pickup.coupling != 0 and len(built.coils) == 2
    if coupled and len(exact) < 2:
        raise InputError(f"pickup '{built.name}': both coils must be given by their build for the exact form")
    share = abs(built.pickup.coupling) / _TIGHT if coupled else 0.0
    found: list[Element] = []
    for element in pickup_elements(slot, built.pickup, rewired=rewired):
        coil = element.name.removeprefix(f"{slot}.").partition(".")[0]
        if isinstance(element, Coupling):
            found.append(replace(element, coefficient=math.copysign(_TIGHT, element.coefficient)))
        elif coil not in exact or not isinstance(element, Inductor | Resistor):
            found.append(element)
        elif element.name == f"{slot}.{coil}.inductance":
            found += _exact_inductance(
                element, f"{slot}.{coil}", built.pickup.coils[coil].inductance, share, plan, coil
            )
        elif ".eddy" not in element.name:
            found.append(element)
    return tuple(found)


def _exact_inductance(
    element: Element, prefix: str, whole: float, share: float, plan: BuildPlan, coil: str
) -> tuple[Element, ...]:
    finish, core = element.nodes[0], f"{prefix}.core"
    row = InductanceAdmittance(
        inductance=whole * (1 - share), lost=lambda frequency_hz: lost_inductance_of(plan, coil, frequency_hz)
    )
    if not share:
        return (CustomAdmittance(name=f"{prefix}.exact", nodes=(finish, core), row=row),)
    middle = f"{prefix}.mutual"
    return (
        CustomAdmittance(name=f"{prefix}.exact", nodes=(middle, core), row=row),
        Inductor(name=element.name, nodes=(finish, middle), inductance=whole * share),
    )


def lost_inductance_of(plan: BuildPlan, name: str, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the complex inductance that eddy currents take from a coil, exactly as modelled, shape (F,), H."""
    flat = np.atleast_1d(np.asarray(frequency_hz, dtype=float)).ravel()
    return nominal(plan, flat).lost[name].reshape(np.shape(frequency_hz))


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreAdmittance:
    """Admittance row of a coil's inductance with its core, 1/(jω(L_air + ΔL̃(ω))), for a custom branch of a circuit.

    Parameters
    ----------
    air : float, H
        Inductance without poles. Kept in the same branch: high up, eddy currents shield the rods' own space
        and ΔL̃ alone turns slightly negative.
    core : CoreInductance
    """

    air: float
    core: CoreInductance

    def __call__(self, omega: np.ndarray, /) -> np.ndarray:
        """Return the admittance at ω > 0 (rad/s, shape (F,)), siemens."""
        total = self.air + self.core.inductance(omega / (2 * math.pi))
        admittance: np.ndarray = 1 / (1j * omega * total)
        return admittance


def largest_impedance_error_db(
    inductance_of: Callable[[np.ndarray], np.ndarray],
    *,
    low_frequency: float,
    sections: tuple[EddySection, ...],
    resistance: float,
    capacitance: float = 0.0,
    low_hz: float = FIT_LOW_HZ,
    high_hz: float = FIT_HIGH_HZ,
) -> float:
    """Return the largest error of |Z| that the sections make, dB.

    Parameters
    ----------
    inductance_of, low_frequency
        As in `fit_sections`.
    sections : tuple of EddySection
    resistance : float, Ω
        In series.
    capacitance : float, F
        Across both.
    low_hz, high_hz : float, Hz
    """
    frequency = np.geomspace(low_hz, high_hz, 400)
    jomega = 2j * math.pi * frequency

    def impedance(inductance: np.ndarray) -> np.ndarray:
        coil = resistance + jomega * inductance
        return np.asarray(coil / (1 + jomega * capacitance * coil))

    fitted = sections_inductance(frequency_hz=frequency, inductance=low_frequency, sections=sections)
    ratio = np.abs(impedance(fitted) / impedance(np.asarray(inductance_of(frequency))))
    return float(np.max(np.abs(20 * np.log10(ratio))))


def sections_inductance(*, frequency_hz: ArrayLike, inductance: float, sections: tuple[EddySection, ...]) -> np.ndarray:
    """Return L·(1 − Σ K·jf/(jf + f_e)), H, complex, shape of ``frequency_hz``."""
    lost = eddy_share(frequency_hz, [part.fraction for part in sections], [part.corner_hz for part in sections])
    return np.asarray(inductance * (1 - lost))
