"""From a build to its electrical values: every result from one vectorised call, its doubt from all inputs at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit.pickup.predict.curves import curve_results, lost_inductance
from labkit.pickup.predict.plan import Plan
from labkit.pickup.predict.propagation import Prediction, propagate
from labkit.pickup.predict.rows import add_cores, air_rows, totals


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Results by name for every row of inputs, and the nominal coils as functions of frequency.

    Attributes
    ----------
    results : mapping of str to ndarray, shape (rows,)
    lost : mapping of str to ndarray, shape (F,), complex
        Nominal inductance that each coil has lost at ``frequency_hz``.
    """

    results: Mapping[str, np.ndarray]
    frequency_hz: np.ndarray
    lost: Mapping[str, np.ndarray]


def predictions(plan: Plan) -> dict[str, Prediction]:
    """Return every result with its interval: `propagate` over all inputs of the build at once.

    Results that do not exist for every step (no peak, no capacitance) are left out.
    """

    def usable(x: dict[str, Any]) -> dict[str, np.ndarray]:
        found = evaluate(plan, x).results
        return {name: value for name, value in found.items() if np.all(np.isfinite(value)) and np.all(value > 0)}

    return propagate(usable, plan.inputs)


def nominal(plan: Plan, frequency_hz: np.ndarray | None = None) -> Evaluation:
    """Return the evaluation of one row, all inputs at their best value."""
    return evaluate(plan, {name: np.array([doubt.value]) for name, doubt in plan.inputs.items()}, frequency_hz)


def evaluate(plan: Plan, x: Mapping[str, np.ndarray], frequency_hz: np.ndarray | None = None) -> Evaluation:
    """Compute a build for every row of inputs.

    Parameters
    ----------
    plan : Plan
    x : mapping of str to ndarray, shape (rows,)
        By the names of ``plan.inputs``.
    frequency_hz : ndarray, shape (F,), Hz, optional
        Where `Evaluation.lost` is wanted; only that is computed then.

    Returns
    -------
    Evaluation
        ``COIL resistance``, ``COIL inductance``, ``COIL air inductance``, ``COIL capacitance`` (Ω, H, H, F) and
        ``COIL turns``, ``COIL mean turn``, ``COIL wire length``, ``COIL build-up`` (m); ``total …`` of all of them;
        ``mutual`` (its size, H); ``loss 1000`` … (Ω in series); ``resonance`` and ``loaded resonance`` (Hz);
        ``loaded height`` (peak over the level at 100 Hz, as a ratio).
    """
    coils = air_rows(plan, x)
    mutual = add_cores(plan, x, coils)
    results: dict[str, np.ndarray] = {"mutual": np.abs(mutual)}
    for coil in coils:
        results |= {f"{coil.name} {key}": value for key, value in coil.shown.items()}
        results |= {
            f"{coil.name} resistance": coil.resistance,
            f"{coil.name} inductance": coil.inductance,
            f"{coil.name} capacitance": coil.capacitance,
        }
    total = totals(plan, x, coils, mutual)
    results |= {f"total {name}": value for name, value in total.items()}
    if frequency_hz is not None:
        lost = lost_inductance(plan, x, coils, mutual, frequency_hz)
        return Evaluation(
            results=results, frequency_hz=frequency_hz, lost={coil.name: part[0] for coil, part in zip(coils, lost)}
        )
    results |= curve_results(plan, x, coils, mutual, total)
    return Evaluation(results=results, frequency_hz=np.empty(0), lost={})
