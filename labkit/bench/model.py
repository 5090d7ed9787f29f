"""What a fixture shows of a coil: closed one-port formulas, vectorised over frequency.

The formulas are those of one node, so a fit can afford thousands of calls; tests hold them against the circuit
solver. Everything else in labkit goes through a circuit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.bench.fixture import Fixture
from labkit.core.errors import InputError
from labkit.core.response import Response
from labkit.pickup.electrical import Coil, Pickup


def branch_impedance(
    frequency_hz: np.ndarray,
    *,
    resistance: float,
    inductance: float,
    fractions: Sequence[float] = (),
    corners_hz: Sequence[float] = (),
) -> np.ndarray:
    """Return the series branch of a coil: Z = R + jωL·(1 − Σ K·jω/(jω + ω_e)), Ω.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz
    resistance : float, Ω
    inductance : float, H
    fractions, corners_hz : sequences of float
        K (0 … 1) and ω_e/2π (Hz) of each eddy section.

    Returns
    -------
    ndarray, shape (F,), complex, Ω
    """
    s = 2j * np.pi * frequency_hz
    kept: np.ndarray = np.ones_like(s)
    for fraction, corner in zip(fractions, corners_hz, strict=True):
        kept -= fraction * frequency_hz / (frequency_hz - 1j * corner)
    impedance: np.ndarray = resistance + s * inductance * kept
    return impedance


def coil_branch(coil: Coil, frequency_hz: np.ndarray) -> np.ndarray:
    """Return `branch_impedance` of a `Coil`, Ω, shape (F,)."""
    return branch_impedance(
        frequency_hz,
        resistance=coil.resistance,
        inductance=coil.inductance,
        fractions=[section.fraction for section in coil.eddy],
        corners_hz=[section.corner_hz for section in coil.eddy],
    )


def coil_shunt(coil: Coil, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the admittance across a coil: jωC + 1/R_loss, S, shape (F,)."""
    shunt: np.ndarray = 2j * np.pi * frequency_hz * coil.capacitance + 1 / coil.loss_resistance
    return shunt


def coil_impedance(coil: Coil, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the terminal impedance of one coil, Ω, shape (F,), complex.

    >>> coil = Coil(resistance=6e3, inductance=2.4)
    >>> float(abs(coil_impedance(coil, np.array([1e-3]))[0]).round(3))
    6000.0
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    branch = coil_branch(coil, frequency)
    impedance: np.ndarray = branch / (1 + branch * coil_shunt(coil, frequency))
    return impedance


def pickup_impedance(pickup: Pickup, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the impedance between a pickup's own two leads, Ω, shape (F,), complex.

    Two coils form a two-port: branch impedances on the diagonal, jωM between them (M = k·√(L₁L₂)), each coil's shunt
    across it. Series: the sum of all entries of the two-port's impedance matrix; parallel: the inverse of the sum of
    all entries of its admittance matrix.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    s = 2j * np.pi * frequency
    coils = list(pickup.coils.values())
    if len(coils) == 1:
        impedance = coil_impedance(coils[0], frequency)
    else:
        first, second = (coil_branch(coil, frequency) for coil in coils)
        mutual = s * pickup.coupling * math.sqrt(coils[0].inductance * coils[1].inductance)
        determinant = first * second - mutual**2
        y_first = second / determinant + coil_shunt(coils[0], frequency)
        y_second = first / determinant + coil_shunt(coils[1], frequency)
        y_mutual = -mutual / determinant
        if pickup.connection == "series":
            impedance = (y_first + y_second - 2 * y_mutual) / (y_first * y_second - y_mutual**2)
        else:
            impedance = 1 / (y_first + y_second + 2 * y_mutual)
    shown: np.ndarray = impedance / (1 + impedance * s * pickup.lead_capacitance)
    return shown


def outside_admittance(fixture: Fixture, frequency_hz: np.ndarray) -> np.ndarray:
    """Return what the fixture hangs across the leads: load box and meter input, S, shape (F,)."""
    capacitance = fixture.load.capacitance + (fixture.meter_capacitance or 0.0)
    conductance = 1 / fixture.load.resistance + 1 / fixture.meter_resistance
    admittance: np.ndarray = 2j * np.pi * frequency_hz * capacitance + conductance
    return admittance


def fixture_reading(coil: Coil, fixture: Fixture, frequency_hz: np.ndarray) -> np.ndarray:
    """Return what a fixture records of one coil, shape (F,), complex.

    Impedance: Z ∥ meter ∥ load, Ω. Divider: that over itself plus the series resistor. Exciter: the coil's EMF
    divided between its branch and everything across its leads, times jf/1 kHz for an exciter that
    differentiates, times the rig's first-order roll-off; 1 V of EMF at 1 kHz.

    Parameters
    ----------
    coil : Coil
    fixture : Fixture
    frequency_hz : ndarray, shape (F,), Hz
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    branch = coil_branch(coil, frequency)
    across = coil_shunt(coil, frequency) + outside_admittance(fixture, frequency)
    if fixture.kind == "exciter":
        reading = 1 / (1 + branch * across)
        if fixture.exciter_differentiates:
            reading = reading * 1j * frequency / 1000.0
        if math.isfinite(fixture.rig_corner_hz):
            reading = reading / (1 + 1j * frequency / fixture.rig_corner_hz)
        shown: np.ndarray = reading
        return shown
    impedance: np.ndarray = branch / (1 + branch * across)
    if fixture.kind == "impedance":
        return impedance
    if fixture.series_resistance is None:
        raise InputError("a divider sweep needs the value of its series resistor, such as 1 MΩ")
    divided: np.ndarray = impedance / (impedance + fixture.series_resistance)
    return divided


def loaded_response(coil: Coil, fixture: Fixture, frequency_hz: np.ndarray, *, name: str = "") -> Response:
    """Return `fixture_reading` as a `Response` that can be evaluated anywhere."""

    def evaluate(frequency: np.ndarray) -> np.ndarray:
        return fixture_reading(coil, fixture, frequency)

    return Response(
        frequency_hz=frequency_hz, values=evaluate(np.asarray(frequency_hz, dtype=float)), name=name, evaluate=evaluate
    )
