"""What a fixture shows of a coil: closed one-port formulas, vectorised over frequency.

The formulas are those of one node, so a fit can afford thousands of calls; tests hold them against the circuit
solver. Everything else in labkit goes through a circuit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.bench.fit.fixture import Fixture
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
    impedance, _ = _leads(pickup, frequency)
    shown: np.ndarray = impedance / (1 + impedance * 2j * np.pi * frequency * pickup.lead_capacitance)
    return shown


def pickup_transfer(pickup: Pickup, frequency_hz: np.ndarray, admittance: np.ndarray) -> np.ndarray:
    """Return the voltage at the leads for 1 V of EMF in total, with an admittance across them; shape (F,), complex.

    The EMF is shared among the coils by turns (equally where turns are not known). Thevenin: the open voltage of the
    two-port over 1 + Z·Y.

    Parameters
    ----------
    pickup : Pickup
    frequency_hz : ndarray, shape (F,), Hz
    admittance : ndarray, shape (F,), S
        Load across the leads, lead capacitance not included.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    impedance, open_voltage = _leads(pickup, frequency)
    across = admittance + 2j * np.pi * frequency * pickup.lead_capacitance
    transfer: np.ndarray = open_voltage / (1 + impedance * across)
    return transfer


def _leads(pickup: Pickup, frequency: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Impedance and open voltage at the leads, without the lead capacitance."""
    coils = list(pickup.coils.values())
    if len(coils) == 1:
        branch = coil_branch(coils[0], frequency)
        divider = 1 / (1 + branch * coil_shunt(coils[0], frequency))
        return branch * divider, divider
    turns = [coil.turns for coil in coils]
    shares = [0.5, 0.5] if None in turns else [count / sum(turns) for count in turns]  # type: ignore[arg-type, operator]
    first, second = (coil_branch(coil, frequency) for coil in coils)
    mutual = 2j * np.pi * frequency * pickup.coupling * math.sqrt(coils[0].inductance * coils[1].inductance)
    determinant = first * second - mutual**2
    own_first, own_second, own_mutual = second / determinant, first / determinant, -mutual / determinant
    current_first = own_first * shares[0] + own_mutual * shares[1]
    current_second = own_mutual * shares[0] + own_second * shares[1]
    y_first = own_first + coil_shunt(coils[0], frequency)
    y_second = own_second + coil_shunt(coils[1], frequency)
    if pickup.connection == "parallel":
        impedance = 1 / (y_first + y_second + 2 * own_mutual)
        return impedance, (current_first + current_second) * impedance
    spread = y_first * y_second - own_mutual**2
    impedance = (y_first + y_second - 2 * own_mutual) / spread
    voltage = (current_first * (y_second - own_mutual) + current_second * (y_first - own_mutual)) / spread
    return impedance, voltage


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
