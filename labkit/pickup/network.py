"""A pickup as a network: in closed form at its own leads, vectorised, and as the elements of a circuit.

Closed form: one or two coils, each with its EMF in series with R + jωL·(1 − Σ K·jω/(jω + ω_e)) and its shunt across
both, coupled, joined in series or parallel. Predictions and fits need it thousands of times; tests hold it against the
circuit solver. Everything else goes through a circuit.

As elements: coils with their EMFs between terminals, joined by the pickup's own leads or by a harness. Terminals of a
pickup in slot ``bridge``: ``bridge.hot`` and ``bridge.ground``; a harness that rewires the coils uses
``bridge.COIL.start`` and ``bridge.COIL.finish`` instead. COIL is the coil's name, ``first`` or ``second``, or the way
its pole faces (``north``, ``south``). With its own leads the first coil's finish is hot, and two coils are joined so
that their signals add.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Contact, Coupling, Element, Inductor, Resistor, Source
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError, did_you_mean
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.pickup.electrical import Coil, Connection, Pickup


def eddy_share(frequency_hz: ArrayLike, fractions: ArrayLike, corners_hz: ArrayLike) -> np.ndarray:
    """Return what eddy currents take, Σ K·jf/(jf + f_e), complex, shape of ``frequency_hz``.

    Parameters
    ----------
    frequency_hz : array_like, any shape, Hz
    fractions : array_like, shape (S,)
        K of each section, as shares of an inductance; or K·L in henries, for a result in henries.
    corners_hz : array_like, shape (S,), Hz

    >>> complex(eddy_share(1e3, [0.2], [1e3]).round(6))
    (0.1+0.1j)
    """
    jf = 1j * np.asarray(frequency_hz, dtype=float)[..., None]
    return np.asarray((np.asarray(fractions) * jf / (jf + np.asarray(corners_hz))).sum(axis=-1))


def branch_impedance(
    frequency_hz: np.ndarray,
    *,
    resistance: float,
    inductance: float,
    fractions: Sequence[float] = (),
    corners_hz: Sequence[float] = (),
) -> np.ndarray:
    """Return the series branch of a coil, R + jωL·(1 − Σ K·jω/(jω + ω_e)), Ω, complex, shape of ``frequency_hz``."""
    kept = 1 - eddy_share(frequency_hz, fractions, corners_hz)
    return np.asarray(resistance + 2j * np.pi * frequency_hz * inductance * kept)


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
    return np.asarray(2j * np.pi * frequency_hz * coil.capacitance + 1 / coil.loss_resistance)


def at_leads(
    branches: Sequence[np.ndarray],
    shunts: Sequence[np.ndarray],
    mutual: np.ndarray,
    shares: Sequence[float],
    connection: Connection,
) -> tuple[np.ndarray, np.ndarray]:
    """Return impedance (Ω) and open voltage at the leads of one or two coils for 1 V of EMF, complex.

    Each coil is Z with its share of the EMF in series, and Y across both; p₁, p₂ are the currents that 1 V at the leads
    drives through the branches (parallel), or the parts of the voltages that reach the leads (series).

    Parameters
    ----------
    branches, shunts : sequences of ndarray, shape (..., F), Ω and S
        Z and Y of each coil.
    mutual : ndarray, shape (..., F), Ω
        jωM; positive M adds in series. Of no account for one coil.
    shares : sequence of float
        Part of the EMF in each coil.
    connection : "series" or "parallel"
    """
    if len(branches) == 1:
        divider = 1 / (1 + branches[0] * shunts[0])
        return branches[0] * divider, divider * shares[0]
    (z1, z2), (y1, y2) = branches, shunts
    if connection == "series":
        determinant = (1 + z1 * y1) * (1 + z2 * y2) - mutual**2 * y1 * y2
        p1, p2 = (1 + z2 * y2 - mutual * y1) / determinant, (1 + z1 * y1 - mutual * y2) / determinant
        return p1 * (z1 + mutual) + p2 * (mutual + z2), p1 * shares[0] + p2 * shares[1]
    determinant = z1 * z2 - mutual**2
    p1, p2 = (z2 - mutual) / determinant, (z1 - mutual) / determinant
    impedance = 1 / (y1 + y2 + p1 + p2)
    return impedance, (p1 * shares[0] + p2 * shares[1]) * impedance


def coil_impedance(coil: Coil, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the terminal impedance of one coil, Ω, shape (F,), complex.

    >>> coil = Coil(resistance=6e3, inductance=2.4)
    >>> float(abs(coil_impedance(coil, np.array([1e-3]))[0]).round(3))
    6000.0
    """
    return _leads(Pickup(name="coil", coils={"coil": coil}), frequency_hz)[0]


def pickup_impedance(pickup: Pickup, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the impedance between a pickup's own two leads, lead capacitance included, Ω, shape (F,), complex."""
    impedance, _ = _leads(pickup, frequency_hz)
    return np.asarray(impedance / (1 + impedance * 2j * np.pi * frequency_hz * pickup.lead_capacitance))


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
    impedance, open_voltage = _leads(pickup, frequency_hz)
    across = admittance + 2j * np.pi * frequency_hz * pickup.lead_capacitance
    return np.asarray(open_voltage / (1 + impedance * across))


def _leads(pickup: Pickup, frequency_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Impedance and open voltage at the leads, without the lead capacitance."""
    coils = list(pickup.coils.values())
    geometric = math.sqrt(coils[0].inductance * coils[-1].inductance)
    return at_leads(
        [coil_branch(coil, frequency_hz) for coil in coils],
        [coil_shunt(coil, frequency_hz) for coil in coils],
        2j * np.pi * frequency_hz * pickup.coupling * geometric,
        [abs(share) for share in coil_shares(pickup).values()],
        pickup.connection,
    )


def joined_resistance(connection: Connection, coils: Sequence[ArrayLike]) -> np.ndarray:
    """Return R of one coil or two at the leads: the sum, or R₁R₂/(R₁ + R₂), Ω, broadcast."""
    if len(coils) == 1:
        return np.asarray(coils[0])
    first, second = np.asarray(coils[0]), np.asarray(coils[1])
    return np.asarray(first + second if connection == "series" else first * second / (first + second))


def joined_inductance(connection: Connection, coils: Sequence[ArrayLike], mutual: ArrayLike = 0.0) -> np.ndarray:
    """Return L of one coil or two at the leads: L₁ + L₂ + 2M, or (L₁L₂ − M²)/(L₁ + L₂ − 2M), H, broadcast.

    M is positive when the coils aid each other in series.
    """
    if len(coils) == 1:
        return np.asarray(coils[0])
    first, second, between = np.asarray(coils[0]), np.asarray(coils[1]), np.asarray(mutual)
    if connection == "series":
        return np.asarray(first + second + 2 * between)
    return np.asarray((first * second - between**2) / (first + second - 2 * between))


def joined_capacitance(connection: Connection, coils: Sequence[ArrayLike]) -> np.ndarray:
    """Return C of one coil or two at the leads: C₁C₂/(C₁ + C₂) in series, the sum in parallel, F, broadcast."""
    if len(coils) == 1:
        return np.asarray(coils[0])
    both = np.asarray(coils[0]) + np.asarray(coils[1])
    if connection == "parallel":
        return np.asarray(both)
    return np.where(both > 0, np.asarray(coils[0]) * np.asarray(coils[1]) / np.where(both > 0, both, 1.0), 0.0)


def coil_shares(pickup: Pickup) -> dict[str, float]:
    """Return the EMF of each coil when the pickup is given 1 V in total.

    Shares follow turns (equal where turns are not known); the sign is that of winding and pole.

    >>> from labkit.pickup.electrical import Coil
    >>> a, b = Coil(resistance=4e3, inductance=2.0, turns=5000), Coil(resistance=4e3, inductance=2.0, turns=4800)
    >>> {name: round(share, 3) for name, share in coil_shares(Pickup(name="pair", coils={"a": a, "b": b})).items()}
    {'a': 0.51, 'b': 0.49}
    """
    turns = [coil.turns for coil in pickup.coils.values()]
    known = [count for count in turns if count is not None]
    weights = known if len(known) == len(turns) else [1.0] * len(turns)
    total = sum(weights)
    return {name: coil.sense * weight / total for (name, coil), weight in zip(pickup.coils.items(), weights)}


def source_name(slot: str, coil: str) -> str:
    """Name of the EMF of a coil in the circuit."""
    return f"{slot}.{coil}.emf"


def coil_of_terminal(pickup: Pickup, slot: str, name: str) -> str:
    """Return the coil that ``name`` means: its own name, ``first``/``second``, or where its pole faces.

    Raises
    ------
    InputError
        If no coil answers to it, or two face that way.
    """
    names = list(pickup.coils)
    if name in names:
        return name
    order = {"first": 0, "second": 1}
    if name in order and order[name] < len(names):
        return names[order[name]]
    facing = [coil for coil, values in pickup.coils.items() if values.facing == name]
    if len(facing) == 1:
        return facing[0]
    known = [*names, *list(order)[: len(names)]]
    raise InputError(
        f"pickup '{pickup.name}' in slot '{slot}' has no coil '{name}'; its coils: {', '.join(names)}."
        f"{did_you_mean(name, known)}"
    )


def pickup_elements(slot: str, pickup: Pickup, *, rewired: bool = False) -> tuple[Element, ...]:
    """Return the elements of a pickup in a slot.

    Parameters
    ----------
    slot : str
        Prefix of node and element names.
    pickup : Pickup
    rewired : bool
        True leaves every coil's start and finish to the harness; False joins them to ``slot.hot`` and ``slot.ground``.

    Returns
    -------
    tuple of Element

    Raises
    ------
    InputError
        If coupling and eddy fractions together are more than passive coils allow.
    """
    shares = coil_shares(pickup)
    elements: list[Element] = []
    for name, coil in pickup.coils.items():
        elements += _coil_elements(f"{slot}.{name}", coil, shares[name])
    names = list(pickup.coils)
    aligned = len(names) < 2 or pickup.coils[names[0]].sense == pickup.coils[names[1]].sense
    if len(names) == 2 and pickup.coupling:
        elements.append(_coupling(slot, pickup, aligned))
    if not rewired:
        elements += _own_leads(slot, pickup, aligned)
        if pickup.lead_capacitance > 0:
            elements.append(
                Capacitor(
                    name=f"{slot}.lead", nodes=(f"{slot}.hot", f"{slot}.ground"), capacitance=pickup.lead_capacitance
                )
            )
    return tuple(elements)


def _coil_elements(prefix: str, coil: Coil, share: float) -> list[Element]:
    """EMF, R, L·(1 − ΣK) and one R∥L per eddy section in series from start to finish; C and loss across."""
    start, finish = f"{prefix}.start", f"{prefix}.finish"
    lost = sum(section.fraction for section in coil.eddy)
    sections = [section for section in coil.eddy if section.fraction > 0]
    inner = [f"{prefix}.eddy{index}" for index in range(1, len(sections) + 1)]
    elements: list[Element] = [
        Source(name=f"{prefix}.emf", nodes=(f"{prefix}.emf+", start), voltage=share),
        Resistor(name=f"{prefix}.resistance", nodes=(f"{prefix}.emf+", f"{prefix}.core"), resistance=coil.resistance),
    ]
    here = f"{prefix}.core"
    for index, (section, node) in enumerate(zip(sections, inner), start=1):
        part = section.fraction * coil.inductance
        loss = part * 2 * math.pi * section.corner_hz
        elements.append(Inductor(name=f"{prefix}.eddy{index}.inductance", nodes=(node, here), inductance=part))
        elements.append(Resistor(name=f"{prefix}.eddy{index}.resistance", nodes=(here, node), resistance=loss))
        here = node
    elements.append(
        Inductor(name=f"{prefix}.inductance", nodes=(finish, here), inductance=coil.inductance * (1 - lost))
    )
    if coil.capacitance > 0:
        elements.append(Capacitor(name=f"{prefix}.capacitance", nodes=(finish, start), capacitance=coil.capacitance))
    if math.isfinite(coil.loss_resistance):
        elements.append(Resistor(name=f"{prefix}.loss", nodes=(finish, start), resistance=coil.loss_resistance))
    return elements


def _coupling(slot: str, pickup: Pickup, aligned: bool) -> Coupling:
    first, second = pickup.coils
    kept = [1 - sum(section.fraction for section in coil.eddy) for coil in pickup.coils.values()]
    coefficient = pickup.coupling / math.sqrt(kept[0] * kept[1])
    if not -1 < coefficient < 1:
        raise InputError(
            f"pickup '{pickup.name}': a coupling of {pickup.coupling:g} is more than coils that lose "
            f"{1 - kept[0]:.0%} and {1 - kept[1]:.0%} of their inductance to eddy currents can have; lower one of them"
        )
    return Coupling(
        name=f"{slot}.coupling",
        inductors=(f"{slot}.{first}.inductance", f"{slot}.{second}.inductance"),
        coefficient=coefficient if aligned else -coefficient,
    )


def _own_leads(slot: str, pickup: Pickup, aligned: bool) -> list[Element]:
    names = list(pickup.coils)
    ends = {name: (f"{slot}.{name}.start", f"{slot}.{name}.finish") for name in names}
    hot, ground = f"{slot}.hot", f"{slot}.ground"
    low, high = ends[names[0]]
    if len(names) == 1:
        joints = [(hot, high), (low, ground)]
    else:
        other_low, other_high = ends[names[1]] if aligned else ends[names[1]][::-1]
        if pickup.connection == "series":
            joints = [(hot, high), (low, other_high), (other_low, ground)]
        else:
            joints = [(hot, high), (hot, other_high), (low, ground), (other_low, ground)]
    return [Contact(name=f"{slot}.joint{i}", nodes=pair, closed=True) for i, pair in enumerate(joints, start=1)]


LOAD_RESISTANCE, LOAD_CAPACITANCE = 200e3, 470e-12
"""Load of the loaded resonance: two controls and an amplifier, and a usual cable (Ω, F)."""

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
