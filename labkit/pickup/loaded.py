"""A pickup by its own two leads into a simple load: no harness, no cable, just a resistance and a capacitance."""

from __future__ import annotations

import math

import numpy as np

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Contact, Element, Resistor
from labkit.circuit.solve.solver import solve
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import pickup_elements

HIGHEST_HZ = 40e3
"""End of the grid, Hz: bare pickups resonate beyond hearing."""


def loaded_response(
    pickup: Pickup, *, resistance: float = math.inf, capacitance: float = 0.0, name: str = ""
) -> Response:
    """Return the voltage at a pickup's leads over its EMF, from 20 Hz to 40 kHz.

    Parameters
    ----------
    pickup : Pickup
    resistance : float, Ω
        Between the leads; infinity for none.
    capacitance : float, F
        Between the leads, beside the pickup's own.
    name : str
    """
    elements: list[Element] = list(pickup_elements("pickup", pickup))
    if math.isfinite(resistance):
        elements.append(Resistor(name="load", nodes=("pickup.hot", GROUND), resistance=resistance))
    if capacitance > 0:
        elements.append(Capacitor(name="cable", nodes=("pickup.hot", GROUND), capacitance=capacitance))
    elements.append(Contact(name="grounded", nodes=("pickup.ground", GROUND), closed=True))
    circuit = Circuit(elements=tuple(elements), output="pickup.hot", name=pickup.name)

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        return solve(circuit, frequency_hz).transfer

    grid = frequency_grid(20.0, HIGHEST_HZ, 512)
    return Response(frequency_hz=grid, values=evaluate(grid), name=name or pickup.name, evaluate=evaluate)
