"""How far a predicted pickup leaves open what its rig will do: bounds of the curve, drawn behind it.

Every cause of doubt is drawn at random, once, for all results that it moves, so that R, L, C and losses stay together
as the models have them; the rig is solved for all draws in one batch.
"""

from __future__ import annotations

import zlib

import numpy as np

from labkit.circuit.solve.solver import solve
from labkit.core.response import gain_db
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.plan import PEAK_DEVIATIONS
from labkit.pickup.predict.propagation import Doubtful, Prediction
from labkit.rig.rig import Rig

DRAWS = 160
"""Bounds of 95 % are the fourth draw from either end: known to about a tenth of their distance, which a band shows."""

LOSS_HZ = 1000.0
_MOST_LOST = 0.95


def gain_bounds(
    rig: Rig, slot: str, built: BuiltPickup, frequency_hz: np.ndarray, *, draws: int = DRAWS
) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower and upper 95 % bound of a rig's curve for the doubt of one of its pickups.

    Parameters
    ----------
    rig : Rig
        With the predicted pickup in ``slot``.
    slot : str
    built : BuiltPickup
    frequency_hz : ndarray, shape (F,), Hz

    Returns
    -------
    tuple of ndarray, shape (F,), dB
        Of the pickup alone: cable, pots and the input are as stated, the strings' level is 0 dB.
    """
    levels = gain_draws(rig, slot, built, frequency_hz, draws=draws)
    low, high = np.percentile(levels, [2.5, 97.5], axis=0)
    return low, high


def gain_draws(rig: Rig, slot: str, built: BuiltPickup, frequency_hz: np.ndarray, *, draws: int = DRAWS) -> np.ndarray:
    """Return the rig's curve for each draw of everything that is in doubt, shape (draws, F), dB."""
    circuit = rig.circuit
    names = {element.name for element in circuit.elements}
    values = {
        name: value for name, value in _element_draws(slot, built, draws).items() if name in names
    }  # a harness that takes the coils apart has no lead of the pickup's own
    if not values:
        return np.broadcast_to(gain_db(solve(circuit, frequency_hz).transfer), (draws, frequency_hz.size))
    levels = gain_db(solve(circuit, frequency_hz, values=values).transfer)
    # what the models do not get right about the peak's height acts where the curve stands over its bass, as far as
    # this pickup is heard at all
    excess = np.clip(levels - levels[:, :1], 0.0, None)
    share = excess / np.maximum(excess.max(axis=1, keepdims=True), 1.0)
    share *= np.minimum(np.abs(rig.evaluate(frequency_hz, source=slot) / solve(circuit, frequency_hz).transfer), 1.0)
    deviation = 8.686 * PEAK_DEVIATIONS["model of the peak's height"]
    return np.asarray(levels + share * deviation * _normal("model of the peak's height", draws)[:, None])


def _element_draws(slot: str, built: BuiltPickup, draws: int) -> dict[str, np.ndarray]:
    found: dict[str, np.ndarray] = {}
    loss = built.loss_resistance.get(LOSS_HZ)
    for name, coil in built.coils.items():
        # f ∝ 1/√L: an error of the peak's place is put on the inductance, twice as large
        place = np.exp(-2 * PEAK_DEVIATIONS["model of the peak"] * _normal("model of the peak", draws))
        inductance = _drawn(coil.inductance, draws) * place
        prefix = f"{slot}.{name}"
        found[f"{prefix}.resistance"] = _drawn(coil.resistance, draws)
        if coil.capacitance.value > 0:
            found[f"{prefix}.capacitance"] = _drawn(coil.capacitance, draws)
        more = np.ones(draws)
        if loss is not None and loss.value > 0:
            more = _drawn(loss, draws) / loss.value * coil.inductance.value / inductance
        sections = [section for section in coil.eddy if section.fraction > 0]
        whole = sum(section.fraction for section in sections)
        if whole:
            more = np.minimum(more, _MOST_LOST / whole)
        for index, section in enumerate(sections, start=1):
            part = section.fraction * more * inductance
            found[f"{prefix}.eddy{index}.inductance"] = part
            found[f"{prefix}.eddy{index}.resistance"] = part * 2 * np.pi * section.corner_hz
        found[f"{prefix}.inductance"] = inductance * (1 - whole * more)
    lead = built.build.lead
    if lead.value > 0:
        doubt = Doubtful.of(lead)
        step = doubt.deviation * _normal("lead", draws)
        drawn = lead.value * np.exp(step) if doubt.scale == "log" else lead.value + step
        found[f"{slot}.lead"] = np.maximum(drawn, 0.05 * lead.value)
    return found


def _drawn(value: Prediction, draws: int) -> np.ndarray:
    """A result for every draw: exp of the sum of what each cause does to its logarithm."""
    total = np.zeros(draws)
    for item in value.contributions:
        total += item.deviation * _normal(item.name, draws)
    return np.asarray(value.value * np.exp(total))


_KNOWN: dict[tuple[str, int], np.ndarray] = {}


def _normal(cause: str, draws: int) -> np.ndarray:
    """The draws of one cause: always the same ones for the same name, so that a band does not flicker."""
    key = (cause, draws)
    if key not in _KNOWN:
        generator = np.random.default_rng(zlib.crc32(cause.encode()))
        half = generator.standard_normal((draws + 1) // 2)
        both = np.concatenate([half, -half])[:draws]
        if len(_KNOWN) > 400:
            _KNOWN.clear()
        _KNOWN[key] = generator.permutation(both / max(float(both.std()), 1e-9))
    return _KNOWN[key]
