"""A pickup as circuit elements: what its coils, their losses and their coupling amount to at its leads."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Circuit, Contact
from labkit.circuit.solve.solver import solve
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.network import pickup_elements

FREQUENCY_HZ = np.array([50.0, 1000.0, 4000.0, 15_000.0])


def at_the_leads(frequency_hz: np.ndarray, connection: Any = "series", coupling: float = 0.0, **coils: Coil) -> Any:
    """Return impedance and voltage at the leads, for 1 V of EMF in total."""
    pickup = Pickup(name="it", coils=coils, connection=connection, coupling=coupling)
    grounded = Contact(name="grounded", nodes=("it.ground", GROUND), closed=True)
    found = solve(Circuit(elements=(*pickup_elements("it", pickup), grounded), output="it.hot"), frequency_hz)
    return found.output_impedance, found.transfer


def test_sections_take_their_part_of_the_inductance_above_their_corners() -> None:
    """L·(1 − Σ K·jf/(jf + f_c)): of 2.4 H, 20 % are gone far above 2 kHz and 30 % more far above 9 kHz."""
    sections = (EddySection(fraction=0.2, corner_hz=2000.0), EddySection(fraction=0.3, corner_hz=9000.0))
    found, _ = at_the_leads(FREQUENCY_HZ, coil=Coil(resistance=6e3, inductance=2.4, eddy=sections))
    jf = 1j * FREQUENCY_HZ
    left = 2.4 * (1 - 0.2 * jf / (jf + 2000.0) - 0.3 * jf / (jf + 9000.0))
    assert found == pytest.approx(6e3 + 2 * math.pi * jf * left, rel=1e-9)


@pytest.mark.parametrize("wound", ["clockwise", "counter-clockwise"])
@pytest.mark.parametrize("lost", [0.0, 0.3])
def test_two_coupled_coils_have_the_inductance_of_the_textbook(wound: Any, lost: float) -> None:
    """In series L₁ + L₂ + 2M, in parallel (L₁·L₂ − M²)/(L₁ + L₂ − 2M), with M = k·√(L₁·L₂) of the whole coils.

    The leads of a coil of the other sense are exchanged, so that signals add and the coupling still aids.
    """
    eddy = (EddySection(fraction=lost, corner_hz=3000.0),) if lost else ()
    first = Coil(resistance=1e-3, inductance=2.0, eddy=eddy)
    second = Coil(resistance=1e-3, inductance=3.0, eddy=eddy, wound=wound)
    low = np.array([10.0])  # far below the eddy corner: its part of the inductance is lost by 1e-5, and 1 mΩ of 100 Ω
    mutual = 0.1 * math.sqrt(2.0 * 3.0)
    series, heard = at_the_leads(low, coupling=0.1, first=first, second=second)
    assert series[0].imag / (2 * math.pi * 10) == pytest.approx(5.0 + 2 * mutual, rel=1e-4)
    assert abs(heard[0]) == pytest.approx(1.0, rel=1e-6)
    parallel, _ = at_the_leads(low, "parallel", coupling=0.1, first=first, second=second)
    assert parallel[0].imag / (2 * math.pi * 10) == pytest.approx((6.0 - mutual**2) / (5.0 - 2 * mutual), rel=1e-4)


@pytest.mark.parametrize(
    ("wound", "facing", "signal"),
    [
        ("clockwise", "north", 1.0),
        ("counter-clockwise", "south", 1.0),
        ("counter-clockwise", "north", -1.0),
        ("clockwise", "south", -1.0),
    ],
)
def test_the_signal_takes_the_sign_of_wind_and_magnet(wound: Any, facing: Any, signal: float) -> None:
    coil = Coil(resistance=6e3, inductance=2.4, wound=wound, facing=facing)
    _, heard = at_the_leads(np.array([1000.0]), coil=coil)
    assert heard[0] == pytest.approx(signal, rel=1e-9)
