"""The coil without its core: every number of a `Winding` with its 95 % interval and the inputs that cause it.

`air_coil_inputs` lists what is doubtful and by how much, `evaluate_air_coil` computes all results from such inputs in
one vectorised call, and `predict_air_coil` joins the two through `labkit.pickup.predict.propagation`. A pickup with
poles starts from the same inputs and adds its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labkit.core.errors import InputError, did_you_mean
from labkit.core.sourced import SourcedValue
from labkit.core.validity import warnings_of
from labkit.pickup.materials.wire import COPPER_RESISTIVITY, COPPER_TEMPERATURE, WIRE_DIAMETER
from labkit.pickup.predict.propagation import Doubtful, Prediction, propagate
from labkit.pickup.winding.capacitance import (
    LAYER_FACTOR,
    LAYER_FACTOR_DEVIATION,
    LAYERS,
    LEADS,
    WAX,
    WAX_DEVIATION,
    coil_capacitance,
    layer_factor_deviation,
    pass_factor,
    resonance_frequency,
    scatter_factor,
    tension_factor,
    wax_rise,
)
from labkit.pickup.winding.inductance import (
    PART_LAYER_DEVIATION,
    SHEET_LAYERS,
    inductance_integral,
    round_wire_correction,
)
from labkit.pickup.winding.winding import (
    BUILD_UP,
    END_RADIUS,
    PACKING,
    STRAIGHT_LENGTH,
    STRETCH,
    WINDING_HEIGHT,
    Winding,
    build_up,
    coil_resistance,
    mean_turn,
)

DEVIATIONS: dict[str, tuple[float, str]] = {
    "turns": (0.01, "ratio; a counter that slips or starts late"),
    "straight length": (0.005, "ratio; calliper on a moulded part"),
    "end radius": (0.04, "ratio; 0.1 mm on 2.5 mm"),
    "winding height": (0.02, "ratio; flanges bow out under tension"),
    "packing": (0.06, "ratio; ± 0.1 of 0.85 holds 95 %, unless w itself was measured"),
    "stretch": (0.0087, "absolute; 0 … 1.5 % is likely, taken about the value given"),
    "copper resistivity": (0.0043, "ratio; winding wire lies between 58 and 58.5 MS/m"),
    "temperature": (1.0, "K; the coil within ± 2 K of the thermometer"),
    "layer factor": (LAYER_FACTOR_DEVIATION, "ratio; calibrated, not derived"),
}
"""Standard deviation of each input of an air coil where nothing better is known, and why (common practice, no source).

The wire's diameters have theirs from the limits of its own standard, taken as three standard deviations.
"""


def air_coil_warnings(winding: Winding, *, temperature_c: float = 20.0) -> tuple[str, ...]:
    """Return a sentence for each range that a coil leaves; `air_coil_inputs` has widened its doubt for that."""
    return (
        *winding.warnings,
        *warnings_of((COPPER_TEMPERATURE, temperature_c), (LAYERS, winding.layers), (SHEET_LAYERS, winding.layers)),
    )


def _widened(winding: Winding, temperature_c: float, usual: dict[str, float]) -> dict[str, float]:
    """Return the usual deviations with what lying outside a range adds."""
    size = (
        layer_factor_deviation(winding.layers, tension_is_stated=winding.tension is not None),
        STRAIGHT_LENGTH.deviation(winding.straight_length),
        END_RADIUS.deviation(winding.end_radius),
        WINDING_HEIGHT.deviation(winding.winding_height),
    )
    fill = (
        usual["packing"],
        PACKING.deviation(winding.packing),
        BUILD_UP.deviation(winding.build_up),
        WIRE_DIAMETER.deviation(winding.wire.bare_nominal),
    )
    return usual | {
        "layer factor": math.hypot(*size),
        "packing": math.hypot(*fill),
        "stretch": math.hypot(usual["stretch"], STRETCH.deviation(winding.stretch)),
        "copper resistivity": math.hypot(usual["copper resistivity"], COPPER_TEMPERATURE.deviation(temperature_c)),
        "spacing of the turns": PART_LAYER_DEVIATION * max(-math.log(winding.layers), 0.0),
    }


def air_coil_inputs(
    winding: Winding,
    *,
    temperature_c: float = 20.0,
    lead: SourcedValue = LEADS["none"],
    wax_fill: float = 0.0,
    permittivity: float = 3.9,
    deviations: Mapping[str, float] | None = None,
) -> dict[str, Doubtful]:
    """List the inputs of an air coil with their doubts, by the names under which their shares are reported.

    Parameters
    ----------
    winding : Winding
    temperature_c : float, °C
    lead : SourcedValue, F
    wax_fill : float
        0 dry … 1 filled.
    permittivity : float
        Of the film.
    deviations : mapping of str to float, optional
        Standard deviations that are better known, by input; on the scale stated in `DEVIATIONS` (metres for "bare
        diameter" and "film"). Zero makes an input exact.

    Returns
    -------
    dict of str to Doubtful

    Raises
    ------
    InputError
        If ``deviations`` names an unknown input, or the temperature is none of a coil.
    """
    COPPER_TEMPERATURE.check(temperature_c)
    WAX.check(wax_fill)
    wire = winding.wire
    usual = _widened(winding, temperature_c, {name: deviation for name, (deviation, _) in DEVIATIONS.items()})
    bare_deviation, overall_deviation = wire.bare_limits.deviation, wire.overall_limits.deviation
    film = wire.overall_nominal - wire.bare_nominal
    usual["bare diameter"] = bare_deviation
    usual["film"] = math.sqrt(max(overall_deviation**2 - bare_deviation**2, (0.05 * film) ** 2))
    loosening = float(
        scatter_factor(
            packing=winding.packing,
            bare_diameter=wire.bare_nominal,
            overall_diameter=wire.overall_nominal,
            permittivity=permittivity,
        )
    )
    stack = {"bare_diameter": wire.bare_nominal, "overall_diameter": wire.overall_nominal}
    tension = winding.tension or "usual"
    passes = 1.0
    if winding.turns_per_pass is not None:
        passes = float(pass_factor(turns_per_pass=winding.turns_per_pass, turns_per_layer=winding.turns_per_layer))
    usual |= {
        "scatter": abs(math.log(loosening)) / 2,
        "passes of the wire guide": abs(math.log(passes)),
        "wax": WAX_DEVIATION * wax_fill,
        "lead": (lead.spread or 0.0) / 2,
    }
    for name, deviation in (deviations or {}).items():
        if name not in usual:
            raise InputError(f"'{name}' is not an input of a coil.{did_you_mean(name, usual)}")
        usual[name] = deviation
    # wax fill is checked, and its rise applied, by the capacitance formula itself; here only its doubt is a factor
    ratios = {
        "turns": winding.turns,
        "straight length": winding.straight_length,
        "end radius": winding.end_radius,
        "winding height": winding.winding_height,
        "packing": winding.packing,
        "copper resistivity": COPPER_RESISTIVITY,
        "layer factor": LAYER_FACTOR.value * float(tension_factor(tension=tension, **stack)),
        "scatter": loosening,
        "passes of the wire guide": passes,
        "wax": 1.0,
        "spacing of the turns": 1.0,
    }
    plain = {
        "bare diameter": wire.bare_nominal,
        "film": film,
        "stretch": winding.stretch,
        "temperature": temperature_c,
        "lead": lead.value,
        "wax fill": wax_fill,
        "wax rise": float(wax_rise(tension=tension, **stack)),
    }
    inputs = {
        name: Doubtful(value=value, deviation=usual[name], scale="log") if value > 0 else Doubtful.exactly(value)
        for name, value in ratios.items()
    }
    return inputs | {name: Doubtful(value=value, deviation=usual.get(name, 0.0)) for name, value in plain.items()}


def evaluate_air_coil(inputs: Mapping[str, Any]) -> dict[str, np.ndarray]:
    """Compute every result of an air coil from its inputs (see `air_coil_inputs`), each of shape (...).

    Returns
    -------
    dict of str to ndarray
        ``resistance`` Ω, ``inductance`` H (air), ``capacitance`` F (lead included), ``resonance`` Hz (air, unloaded),
        ``build_up``, ``mean_turn``, ``wire_length`` m.
    """
    overall = inputs["bare diameter"] + inputs["film"]
    depth = build_up(
        turns=inputs["turns"],
        overall_diameter=overall,
        winding_height=inputs["winding height"],
        packing=inputs["packing"],
    )
    turn = mean_turn(straight_length=inputs["straight length"], end_radius=inputs["end radius"], build_up=depth)
    length = inputs["turns"] * turn
    resistance = coil_resistance(
        wire_length=length,
        bare_diameter=inputs["bare diameter"],
        temperature_c=inputs["temperature"],
        stretch=inputs["stretch"],
        resistivity_20=inputs["copper resistivity"],
    )
    inductance = _air_inductance(inputs, depth)
    layers = inputs["turns"] * overall / inputs["winding height"]
    apart = round_wire_correction(
        turns=inputs["turns"],
        mean_turn=turn,
        winding_height=inputs["winding height"],
        bare_diameter=inputs["bare diameter"],
    )
    inductance = np.where(layers < SHEET_LAYERS.low, inductance + apart, inductance) * inputs["spacing of the turns"]
    coil = coil_capacitance(
        mean_turn=turn,
        winding_height=inputs["winding height"],
        build_up=depth,
        layer_factor=inputs["layer factor"],
        wax_fill=inputs["wax fill"],
        wax_rise=inputs["wax rise"],
        scatter=inputs["scatter"] * inputs["passes of the wire guide"],
        layers=layers,
    )
    capacitance = coil * inputs["wax"] + inputs["lead"]
    return {
        "resistance": resistance,
        "inductance": inductance,
        "capacitance": capacitance,
        "resonance": resonance_frequency(inductance=inductance, capacitance=capacitance),
        "build_up": depth,
        "mean_turn": turn,
        "wire_length": length,
    }


def _air_inductance(inputs: Mapping[str, Any], depth: np.ndarray) -> np.ndarray:
    """The integral once for each different shape: most steps of a propagation leave the shape alone."""
    shapes = np.broadcast_arrays(inputs["straight length"], inputs["end radius"], inputs["winding height"], depth)
    rows = np.stack([np.asarray(part, dtype=float).ravel() for part in shapes], axis=1)
    different, index = np.unique(rows, axis=0, return_inverse=True)
    a, r0, h, w = different.T
    each = inductance_integral(turns=1.0, straight_length=a, end_radius=r0, winding_height=h, build_up=w)
    inductance: np.ndarray = np.asarray(inputs["turns"]) ** 2 * each[index.ravel()].reshape(shapes[0].shape)
    return inductance


def predict_air_coil(
    winding: Winding,
    *,
    temperature_c: float = 20.0,
    lead: SourcedValue = LEADS["none"],
    wax_fill: float = 0.0,
    permittivity: float = 3.9,
    deviations: Mapping[str, float] | None = None,
) -> dict[str, Prediction]:
    """Predict an air coil: each result of `evaluate_air_coil` with 95 % bounds and the causes of its doubt.

    Parameters
    ----------
    as for `air_coil_inputs`

    Returns
    -------
    dict of str to Prediction
    """
    inputs = air_coil_inputs(
        winding,
        temperature_c=temperature_c,
        lead=lead,
        wax_fill=wax_fill,
        permittivity=permittivity,
        deviations=deviations,
    )
    return propagate(evaluate_air_coil, inputs)
