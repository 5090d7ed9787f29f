"""Modal synthesis: exponentially decaying sines, many modes and samples at once.

The only place that adds up modes. Musical meaning (strings, plucks, pickups) lives in `take`.
"""

from __future__ import annotations

import math

import numpy as np


def decaying_sines(
    *, rate: int, samples: int, frequency_hz: np.ndarray, decay_per_s: np.ndarray, amplitude: np.ndarray
) -> np.ndarray:
    """Return y_c(t) = Σ_m a_cm·exp(−d_m·t)·sin(2π·f_m·t) at t = 0, 1/rate, …

    With z = exp((−d + 2πjf)/rate), sample k·I + i of a mode is Im(z^(kI)·z^i): two short tables of powers, and the
    sum over modes becomes one matrix product. That replaces modes × samples sines by modes × 2√samples.

    Parameters
    ----------
    rate : int, Hz
    samples : int
    frequency_hz : ndarray, shape (M,), Hz
    decay_per_s : ndarray, shape (M,), 1/s
    amplitude : ndarray, shape (C, M)
        One row for each wanted sum.

    Returns
    -------
    ndarray, shape (C, samples), unit of ``amplitude``

    >>> one = dict(frequency_hz=np.array([250.0]), decay_per_s=np.array([0.0]), amplitude=np.array([[2.0]]))
    >>> decaying_sines(rate=1000, samples=4, **one).round(9).tolist()
    [[0.0, 2.0, 0.0, -2.0]]
    """
    amplitude = np.asarray(amplitude, dtype=float)
    if samples == 0 or frequency_hz.size == 0:
        return np.zeros((amplitude.shape[0], samples))
    exponent = (-np.asarray(decay_per_s) + 2j * np.pi * np.asarray(frequency_hz)) / rate
    inner = math.isqrt(samples - 1) + 1
    outer = -(-samples // inner)
    fine = _powers(exponent, inner)
    coarse = _powers(exponent * inner, outer).T
    left = amplitude[:, None, :] * coarse
    # Im(u·v) = Re u·Im v + Im u·Re v, written as one product of real matrices.
    rows = np.concatenate([left.real, left.imag], axis=-1).reshape(-1, 2 * exponent.size)
    columns = np.concatenate([fine.imag, fine.real])
    summed: np.ndarray = (rows @ columns).reshape(amplitude.shape[0], -1)[:, :samples]
    return summed


def _powers(exponent: np.ndarray, count: int) -> np.ndarray:
    """exp(exponent·k) for k = 0 … count−1, shape (M, count), again by a two-level product."""
    inner = math.isqrt(max(count - 1, 0)) + 1
    outer = -(-count // inner)
    fine = np.exp(exponent[:, None] * np.arange(inner))
    coarse = np.exp(exponent[:, None] * (inner * np.arange(outer)))
    return (coarse[:, :, None] * fine[:, None, :]).reshape(exponent.size, -1)[:, :count]
