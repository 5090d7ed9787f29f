"""Checks of circuits and loads: coils into pots, capacitors, cables and inputs; and whole rigs from a sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Element, Resistor, Source
from labkit.circuit.solve.noise import thermal_noise
from labkit.circuit.solve.solver import circuit_response, solve
from labkit.core.grid import frequency_grid
from labkit.core.sheet import Table
from labkit.core.units import parse_quantity
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.network import pickup_elements
from labkit.rig.chain.chain import Cable
from labkit.rig.sheet import read_rig, set_value

_LOWEST_HZ = 1e-3
"""Stands for direct current."""


def _coil(inputs: Mapping[str, Any], inductance: str = "L_H") -> Coil:
    eddy: tuple[EddySection, ...] = ()
    if "K_eddy" in inputs:
        eddy = (EddySection(fraction=inputs["K_eddy"], corner_hz=inputs["f_eddy_Hz"]),)
    return Coil(
        resistance=inputs["R_ohm"],
        inductance=inputs[inductance],
        capacitance=inputs.get("C_F", 0.0),
        loss_resistance=inputs.get("R_loss_ohm", math.inf),
        eddy=eddy,
    )


def _loaded(
    coil: Coil, load_ohm: float = math.inf, load_farad: float = 0.0, series_ohm: float | None = None
) -> Circuit:
    """Return a coil into R ∥ C; with ``series_ohm`` the capacitor has that resistance in series (a tone control)."""
    elements: list[Element] = [*pickup_elements("coil", Pickup(name="coil", coils={"main": coil}))]
    elements.append(Resistor(name="ground_joint", nodes=("coil.ground", GROUND), resistance=0.0))
    elements.append(Resistor(name="load", nodes=("coil.hot", GROUND), resistance=load_ohm))
    if load_farad and series_ohm is None:
        elements.append(Capacitor(name="load_capacitor", nodes=("coil.hot", GROUND), capacitance=load_farad))
    elif load_farad:
        elements.append(Resistor(name="tone", nodes=("coil.hot", "tone_node"), resistance=series_ohm or 0.0))
        elements.append(Capacitor(name="tone_capacitor", nodes=("tone_node", GROUND), capacitance=load_farad))
    return Circuit(elements=tuple(elements), output="coil.hot", name="reference case")


def _peak(circuit: Circuit, highest_hz: float = 20e3) -> tuple[float, float, float]:
    """Return peak frequency (Hz), height over direct current (dB) and the gain at direct current."""
    response = circuit_response(circuit, frequency_grid(20.0, highest_hz))
    direct = abs(response.at(_LOWEST_HZ)[0])
    peak = response.peak
    if peak is None:
        return math.nan, math.nan, direct
    return peak.frequency_hz, peak.gain_db - 20 * math.log10(direct), direct


def coil_into_loss(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Coil with its own capacitance and parallel loss, nothing else."""
    frequency, height, direct = _peak(_loaded(_coil(inputs), inputs["R_l_ohm"]), 100e3)
    return {"peak_frequency": frequency, "peak_height_re_dc": height, "dc_gain": direct}


def eddy_loop(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Coil with one eddy section into an instrument, bare and with a load box."""
    result = {}
    coil = _coil({**inputs, "C_F": inputs["Cp_F"]})
    meter, box = inputs["R_instrument_ohm"], inputs["load_R_ohm"]
    both = meter * box / (meter + box)
    for name, load, farad in (("unloaded", meter, 0.0), ("loaded", both, inputs["load_C_F"])):
        frequency, height, _ = _peak(_loaded(coil, load, farad))
        result[f"peak_frequency_{name}"] = frequency
        result[f"peak_height_{name}_re_dc"] = height
    return result


def _peaks(circuits: Mapping[str, Circuit]) -> dict[str, float]:
    """Frequency (Hz) and height over direct current (dB) of the peak of each circuit, by its label."""
    result = {}
    for label, circuit in circuits.items():
        result[f"peak_f_{label}"], result[f"peak_dB_{label}"], _ = _peak(circuit)
    return result


def pot_values(inputs: Mapping[str, Any]) -> dict[str, float]:
    """One volume pot full up, no tone branch, for several pot values."""
    coil, amp = _coil(inputs), inputs["amp_ohm"]
    return _peaks({f"{pot / 1e3:.0f}k": _loaded(coil, pot * amp / (pot + amp)) for pot in inputs["pot_ohm"]})


def tone_capacitors(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Tone control fully down, for several capacitors."""
    coil, load = _coil(inputs), inputs["R_parallel_ohm"]
    return _peaks({f"{farad * 1e9:.0f}nF": _loaded(coil, load, farad, series_ohm=0.0) for farad in inputs["C_tone_F"]})


def cable_lengths(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Two pots full up and an amplifier, for several lengths of cable."""
    load = 1 / (2 / inputs["pot_ohm"] + 1 / inputs["amp_ohm"])
    coil = _coil({**inputs, "C_F": inputs["C_winding_F"]})
    per_metre = inputs["pF_per_m"] * 1e-12
    return _peaks({f"{length:g}m": _loaded(coil, load, length * per_metre) for length in inputs["length_m"]})


def resonance_with_capacitance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Resonance of a nearly lossless coil with a capacitance across it (1 mΩ stands for no resistance)."""
    circuit = _loaded(Coil(resistance=1e-3, inductance=inputs["L_H"]), 1e12, inputs["C_F"])
    return {"resonance": _impedance_peak(circuit)}


def alike_coils(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Two alike, uncoupled coils in series or parallel: what the pair's terminals show."""
    one = Coil(resistance=inputs["R1_ohm"], inductance=inputs["L1_H"], capacitance=inputs["C1_F"])
    series = inputs["n_s"] == 2
    pair = Pickup(name="pair", coils={"a": one, "b": one}, connection="series" if series else "parallel")
    elements = (*pickup_elements("pair", pair), Resistor(name="joint", nodes=("pair.ground", GROUND), resistance=0.0))
    circuit = Circuit(elements=elements, output="pair.hot", name="pair")
    low, high = np.array([0.01]), np.array([1e9])
    bare = tuple(e for e in elements if not isinstance(e, Capacitor))
    reactance = solve(Circuit(elements=bare, output="pair.hot"), low).output_impedance.imag[0]
    return {
        "L_total": reactance / (2 * math.pi * low[0]),
        "C_total": -1 / (2 * math.pi * high[0] * solve(circuit, high).output_impedance.imag[0]),
        "resonance": _undamped_resonance(one),
    }


def _undamped_resonance(coil: Coil) -> float:
    quiet = Coil(resistance=1e-3, inductance=coil.inductance, capacitance=coil.capacitance)
    return _impedance_peak(_loaded(quiet, 1e12))


def _impedance_peak(circuit: Circuit) -> float:
    """Frequency of the highest output impedance, Hz, by golden search around the coarse maximum."""
    grid = frequency_grid(20.0, 100e3, 4001)
    magnitude = np.abs(solve(circuit, grid).output_impedance)
    centre = float(grid[int(np.argmax(magnitude))])
    width = float(np.log(grid[1] / grid[0]))
    for _ in range(12):
        fine = centre * np.exp(np.linspace(-width, width, 41))
        centre = float(fine[int(np.argmax(np.abs(solve(circuit, fine).output_impedance)))])
        width /= 10
    return centre


def connection_rules(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Series, parallel and single coil of an uncoupled pair into an external capacitance: ratios of the resonance."""
    half = Coil(resistance=1e-3, inductance=inputs["L_series_H"] / 2)
    found = {}
    for name, inductance in (("series", 2.0), ("parallel", 0.5), ("single", 1.0)):
        coil = Coil(resistance=1e-3, inductance=half.inductance * inductance)
        found[name] = _impedance_peak(_loaded(coil, 1e12, inputs["C_external_F"]))
    return {
        "f_parallel_over_series": found["parallel"] / found["series"],
        "f_single_over_series": found["single"] / found["series"],
    }


def slope_above_resonance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Slope far above the resonance of a coil without core loss, dB per octave."""
    response = circuit_response(_loaded(_coil(inputs), inputs["load_R_ohm"], inputs["load_C_F"]))
    return {"slope_second_order": response.gain_db_at(800e3) - response.gain_db_at(400e3)}


def cable_capacitance(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Capacitance of cables as their sheets write them, pF."""
    return {
        label: Cable.read("cable", Table(data, "reference case", f"inputs.{label}")).capacitance * 1e12
        for label, data in inputs["cables"].items()
    }


def twin_t(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Twin-T of R, R, R/2 and C, C, 2C: notch (Hz), depth there (dB), level at a tenth of the notch (dB)."""
    r, c = inputs["R_ohm"], inputs["C_F"]
    elements = (
        Source(name="emf", nodes=("in", GROUND)),
        Resistor(name="r1", nodes=("in", "t"), resistance=r),
        Resistor(name="r2", nodes=("t", "out"), resistance=r),
        Capacitor(name="c3", nodes=("t", GROUND), capacitance=2 * c),
        Capacitor(name="c1", nodes=("in", "u"), capacitance=c),
        Capacitor(name="c2", nodes=("u", "out"), capacitance=c),
        Resistor(name="r3", nodes=("u", GROUND), resistance=r / 2),
    )
    response = circuit_response(Circuit(elements=elements, output="out"))
    frequency = np.geomspace(100.0, 10e3, 20_001)
    notch = float(frequency[int(np.argmin(np.abs(response.at(frequency))))])
    return {"notch": notch, "depth": response.gain_db_at(notch), "at_a_tenth": response.gain_db_at(notch / 10)}


def resistor_noise(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Thermal noise voltage of a resistance in a bandwidth."""
    part = Resistor(name="coil", nodes=("out", GROUND), resistance=inputs["R_ohm"])
    density = thermal_noise(
        Circuit(elements=(part,), output="out"), np.array([1e3]), temperature_c=inputs["T_K"] - 273.15
    )
    return {"v_rms": float(density[0]) * math.sqrt(inputs["B_Hz"]) * 1e6}


def rig(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Any rig, given inline under ``rig``, and variants of it.

    ``variants`` maps a label to changes in the words of ``--set`` (``["volume=5", "cable.length=3 m"]``); without it
    there is one variant without a label. Quantities, each with "LABEL: " before it: ``peak frequency`` (Hz),
    ``peak gain``, ``peak height``, ``gain F`` (dB at each frequency F of the list ``at``), and, counted from the first
    variant, ``peak height change``, ``gain F change``, and ``tilt F`` (change at F minus that at the first of ``at``).
    """
    base = read_rig(Table(inputs["rig"], "reference case", "inputs.rig"))
    at = {text: parse_quantity(text, "Hz") for text in inputs.get("at", ())}
    result: dict[str, float] = {}
    first: dict[str, float] = {}
    for label, changes in inputs.get("variants", {"": []}).items():
        changed = base
        for change in changes:
            name, _, value = change.partition("=")
            changed = set_value(changed, name.strip(), value.strip())
        response = changed.response()
        peak = response.peak
        found = {
            "peak frequency": math.nan if peak is None else peak.frequency_hz,
            "peak gain": math.nan if peak is None else peak.gain_db,
            "peak height": math.nan if peak is None else peak.height_db,
            **{f"gain {text}": response.gain_db_at(frequency) for text, frequency in at.items()},
        }
        first = first or found
        levels = [name for name in found if name != "peak frequency"]
        change_of = {f"{name} change": found[name] - first[name] for name in levels}
        if at:
            level = change_of[f"gain {next(iter(at))} change"]
            change_of |= {f"tilt {text}": change_of[f"gain {text} change"] - level for text in at}
        prefix = f"{label}: " if label else ""
        result |= {f"{prefix}{name}": value for name, value in {**found, **change_of}.items()}
    return result
