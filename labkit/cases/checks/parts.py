"""Checks of single parts and inputs: tapers, printed codes, preferred values, capacitors, valve stages, their noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND, Capacitor, Circuit, Resistor, Source
from labkit.circuit.solve.noise import thermal_noise
from labkit.circuit.solve.solver import solve
from labkit.core.sheet import Table
from labkit.core.units import parse_marking, parse_quantity
from labkit.rig.chain.stages import ValveInput
from labkit.rig.parts.taper import parse_taper
from labkit.rig.sheet import chain_kinds, read_stage
from labkit.study.search import preferred


def tapers(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Part of the track below the wiper, %, at a rotation (%) of each taper: ``tapers`` are pairs."""
    return {
        f"{words} at {rotation:g} %": 100 * float(parse_taper(words)(rotation / 100))
        for words, rotation in inputs["tapers"]
    }


def printed_codes(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Value of each printed code in SI, and tolerance (%) of each tolerance letter after ``4K7``."""
    results = {code: parse_quantity(code, inputs["unit"]) for code in inputs.get("codes", ())}
    for letter in inputs.get("letters", ()):
        results[f"tolerance {letter}"] = 100 * (parse_marking(f"4K7{letter}", "Ω").tolerance or math.nan)
    return results


def preferred_values(inputs: Mapping[str, Any]) -> dict[str, float]:
    """The n-th value (from 1) of a decade of a series of preferred values, 10 to 91, and how many there are."""
    results: dict[str, float] = {}
    for series in inputs["series"]:
        values = preferred.preferred_values(series, 10.0, 99.0)
        results |= {f"{series} value {n}": value for n, value in enumerate(values, start=1)}
        results[f"{series} count"] = float(len(values))
    return results


def dielectrics(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Loss tangent of catalogue dielectrics, %."""
    return {name: 100 * catalogue().load("dielectric", name).loss_tangent.value for name in inputs["dielectrics"]}


def valve_input(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Grid capacitance (pF), resistance at the socket (kΩ), level at the grid (dB), corner from 0 Ω (kHz)."""
    stage = ValveInput.read("valve input", Table(inputs["stage"], "reference case", "inputs.stage"))
    source = Source(name="emf", nodes=("socket", GROUND))
    circuit = Circuit(elements=(source, *stage.elements("socket", "grid")), output="grid")
    frequency = np.geomspace(1e3, 10e6, 8001)
    gain = np.abs(solve(circuit, frequency).transfer).ravel()
    low = float(np.abs(solve(circuit, np.array([1e-3])).transfer).ravel()[0])
    below = gain < low / math.sqrt(2)
    driven = Circuit(elements=stage.elements("socket", "grid"), output="socket")
    socket = abs(complex(solve(driven, np.array([1e-3])).output_impedance.ravel()[0]))
    return {
        "capacitance": stage.grid_capacitance * 1e12,
        "resistance": socket / 1e3,
        "level": 20 * math.log10(low),
        "corner": float(frequency[int(np.argmax(below))]) / 1e3 if below.any() else math.nan,
    }


def noise_density(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Thermal noise density of resistances, nV/√Hz."""
    results = {}
    for ohm in inputs["R_ohm"]:
        part = Resistor(name="r", nodes=("out", GROUND), resistance=float(ohm))
        density = thermal_noise(
            Circuit(elements=(part,), output="out"), np.array([1e3]), temperature_c=inputs["temperature_C"]
        )
        results[f"density_{ohm:g}"] = float(density[0]) * 1e9
    return results


def noise_on_a_capacitor(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Whole noise voltage of a resistance across a capacitor, µV, added up over frequency."""
    resistance, farad = inputs["R_ohm"], inputs["C_F"]
    parts = (
        Resistor(name="r", nodes=("out", GROUND), resistance=resistance),
        Capacitor(name="c", nodes=("out", GROUND), capacitance=farad),
    )
    # from far below to far above the corner 1/(2πRC): a thousandth of the power is left out
    frequency = np.geomspace(1e-4, 1e3, 4001) / (2 * math.pi * resistance * farad)
    density = thermal_noise(Circuit(elements=parts, output="out"), frequency, temperature_c=inputs["T_K"] - 273.15)
    return {"v_rms": math.sqrt(float(np.trapezoid(density**2, frequency))) * 1e6}


def active_stage(inputs: Mapping[str, Any]) -> dict[str, float]:
    """A stage around an amplifier or a transistor, given as in a chain under ``stage``.

    Its gain (dB), input resistance (kΩ) and capacitance (pF) and output resistance (Ω) at ``at_Hz``, and where its gain
    is 3 dB below that (kHz), if it comes to that within three decades.
    """
    table = Table(inputs["stage"], "reference case", "inputs.stage")
    stage = read_stage(table.choice("kind", chain_kinds()), "stage", table)
    driven = Circuit(elements=(Source(name="emf", nodes=("in", GROUND)), *stage.elements("in", "out")), output="out")
    frequency = np.concatenate([[inputs["at_Hz"]], np.geomspace(inputs["at_Hz"], 1e3 * inputs["at_Hz"], 20_001)])
    found = solve(driven, frequency)
    gain = np.abs(found.transfer)
    below = np.flatnonzero(gain < gain[0] / math.sqrt(2))
    seen = solve(Circuit(elements=stage.elements("in", "out"), output="in"), frequency[:1]).output_impedance[0]
    return {
        "gain": 20 * math.log10(float(gain[0])),
        "input resistance": 1e-3 / float((1 / seen).real),
        "input capacitance": 1e12 * float((1 / seen).imag) / (2 * math.pi * inputs["at_Hz"]),
        "output resistance": float(found.output_impedance[0].real),
        **({"corner": float(frequency[below[0]]) / 1e3} if below.size else {}),
    }
