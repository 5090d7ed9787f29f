"""Checks of strings and of plucked strings heard by a coil: printed tables, textbook formulas, comb patterns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.pickup.materials.materials import string
from labkit.pickup.predict.output import reference_sensitivities
from labkit.pickup.string.vibration import note_frequency
from labkit.pickup.string.wire import StringWire
from labkit.sound.strings import (
    String,
    StringSet,
    inharmonicity,
    partial_frequencies,
    string_set,
    tension,
)
from labkit.sound.take.motion import partial_velocity
from labkit.sound.take.performance import Decay, Performance, Pluck
from labkit.sound.take.take import CoilSpot, coil_factor, synthesise

_INCH, _POUND, _POUND_FORCE = 0.0254, 0.45359237, 4.4482216152605
_PLUCKED_AT = 0.011
"""Where the string of a comb is plucked, as a part of its length: no partial below the 90th has a node there."""


def _cents(ratio: float) -> float:
    return 1200 * math.log2(ratio)


def note_frequencies(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Frequency of each note, Hz."""
    return {note: note_frequency(note) for note in inputs["notes"]}


def unit_weights(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Unit weight of catalogue strings, 1e-5 lb/in."""
    return {name: string(name).mass_per_length.value / (_POUND / _INCH) * 1e5 for name in inputs["strings"]}


def string_tensions(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Tension of catalogue strings at a scale, lb: ``strings`` are pairs of name and note."""
    return {
        name: tension(
            mass_per_length=string(name).mass_per_length.value,
            length=inputs["scale_in"] * _INCH,
            frequency_hz=note_frequency(note),
        )
        / _POUND_FORCE
        for name, note in inputs["strings"]
    }


def tension_formula(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Tension from a printed unit weight, lb."""
    pull = tension(
        mass_per_length=inputs["unit_weight_lb_per_in"] * _POUND / _INCH,
        length=inputs["scale_in"] * _INCH,
        frequency_hz=inputs["f_Hz"],
    )
    return {"tension": pull / _POUND_FORCE}


def stiff_string(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Plain string: mass (kg/m), tension (N), B, and how sharp each of ``partials`` is against n times the first."""
    diameter, length = inputs["diameter_m"], inputs["scale_m"]
    mass = inputs["density_kg_m3"] * math.pi / 4 * diameter**2
    pull = tension(mass_per_length=mass, length=length, frequency_hz=inputs["f0_Hz"])
    stiffness = inharmonicity(stiff_diameter=diameter, tension_n=pull, length=length, modulus_pa=inputs["E_Pa"])
    found = partial_frequencies(ideal_hz=inputs["f0_Hz"], stiffness=stiffness, count=max(inputs["partials"]))
    return {"mass": mass, "tension": pull, "B": stiffness} | {
        f"partial {n}": _cents(float(found[n - 1] / (n * found[0]))) for n in inputs["partials"]
    }


def stiffness_of_a_set(inputs: Mapping[str, Any]) -> dict[str, float]:
    """B of open strings of a catalogue set, and the ratio of each pair in ``ratios``."""
    strings = string_set(inputs["set"])
    found = {f"B of {number}": strings.inharmonicity(number) for number in range(1, len(strings.strings) + 1)}
    ratios = {
        f"B of {one} over {other}": found[f"B of {one}"] / found[f"B of {other}"] for one, other in _pairs(inputs)
    }
    return found | ratios


def _pairs(inputs: Mapping[str, Any]) -> list[tuple[int, int]]:
    return [(one, other) for one, other in inputs.get("ratios", ())]


def fretted_partial(inputs: Mapping[str, Any]) -> dict[str, float]:
    """How sharp a partial of a fretted string of a catalogue set is, cents."""
    b, n = string_set(inputs["set"]).inharmonicity(inputs["string"], fret=inputs["fret"]), inputs["partial"]
    return {"sharp": _cents(math.sqrt((1 + n * n * b) / (1 + b)))}


def strings_over_a_rod(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Level of one plain string over a thinner one, both over one rod of the reference coil at 3 mm, dB."""
    wires = tuple(StringWire(core=inputs[key] * _INCH) for key in ("thick_in", "thin_in"))
    thick, thin = reference_sensitivities(wires)
    return {"level": 20 * math.log10(thick / thin)}


def comb_of_a_take(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Levels of partials in a synthesised take, dB: what the coil's place makes of them, the pluck taken away.

    A take has no absolute level: that of the ``reference`` partial is set by the coil's own factor.
    """
    scale, position, f0 = inputs["scale_in"] * _INCH, inputs["position_in"] * _INCH, inputs["f0_Hz"]
    ideal = String(name="ideal", open_hz=f0, diameter=1.2e-3, core_diameter=1e-5, mass_per_length=6.8e-3)
    strings = StringSet(name="ideal", strings=(ideal,), scale=scale)
    # every partial decays alike, so ratios at any time are ratios of strengths
    even = Decay(constant=1.0, square=0.0)
    pluck = Pluck(at_s=0, string=1, position=_PLUCKED_AT * scale, width=0.0, decay=even)
    performance = Performance(name="comb", strings=strings, plucks=(pluck,), duration_s=2.0)
    take = synthesise(performance, {"coil": CoilSpot(position=position, aperture=0.0)})
    numbers, reference = inputs["partials"], inputs["reference"]
    level = {n: _line_db(take.emf[0], take.rate, n * f0) - _pluck_db(n) for n in {*numbers, reference}}
    own = coil_factor(number=np.array([reference]), length=scale, position=position, aperture=0.0)
    return {f"level_n{n}": level[n] - level[reference] + 20 * math.log10(abs(float(own[0]))) for n in numbers}


def _line_db(signal: np.ndarray, rate: int, frequency_hz: float) -> float:
    from scipy.signal.windows import blackmanharris

    window = blackmanharris(signal.size, sym=False)
    turns = np.exp(-2j * np.pi * frequency_hz / rate * np.arange(signal.size))
    return float(20 * np.log10(np.abs(np.sum(signal * window * turns))))


def _pluck_db(number: int) -> float:
    return 20 * math.log10(abs(math.sin(number * math.pi * _PLUCKED_AT)) / number)


def place_of_a_pickup(inputs: Mapping[str, Any]) -> dict[str, float]:
    """First peak and null spacing of a pickup's place, Hz, found on the coil's factor between whole partials."""
    number = np.linspace(0.01, 30.0, 300_000)
    scale = inputs["scale_in"] * _INCH
    factor = coil_factor(number=number, length=scale, position=inputs["position_in"] * _INCH, aperture=0.0)
    nulls = number[1:][np.diff(np.sign(factor)) != 0]
    peak = number[int(np.argmax(factor[number < nulls[0]]))]
    return {"first_peak": float(peak) * inputs["f0_Hz"], "null_spacing": float(nulls[0]) * inputs["f0_Hz"]}


def two_coils_on_a_string(inputs: Mapping[str, Any]) -> dict[str, float]:
    """First frequency at which two coils in phase cancel, Hz: their sum over what a coil midway would hear."""
    number = np.linspace(0.01, 60.0, 600_000)
    middle, half = inputs["middle_m"], inputs["spacing_m"] / 2
    heard = [
        coil_factor(number=number, length=inputs["scale_m"], position=place, aperture=0.0)
        for place in (middle - half, middle + half, middle)
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (heard[0] + heard[1]) / heard[2]
    crossing = np.flatnonzero((np.sign(ratio[1:]) != np.sign(ratio[:-1])) & (np.abs(ratio[1:]) < 0.1))
    return {"null_frequency": float(number[crossing[0]]) * inputs["f0_Hz"]}


def plucked_partials(inputs: Mapping[str, Any]) -> dict[str, float]:
    """Velocity of partials of a string plucked at a part of its length, dB against the first."""
    numbers = np.array([1, *inputs["partials"]])
    found = np.abs(
        partial_velocity(
            number=numbers, frequency_hz=100.0, length=1.0, displacement=1e-3, position=inputs["plucked_at"], width=0.0
        )
    )
    return {
        f"partial_{n}": float(20 * np.log10(max(value / found[0], 1e-20))) for n, value in zip(numbers[1:], found[1:])
    }
