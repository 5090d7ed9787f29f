"""Whether level and phase of a measured impedance belong to one linear circuit that stood still (Kramers–Kronig).

What any passive, causal, unchanging circuit does to level fixes what it does to phase. Measured over fitted is close to
1 and as causal as both are, so it must be a sum of real first-order terms; what such a sum cannot follow contradicts
itself (Boukamp, J. Electrochem. Soc. 142 (1995) 1885, from memory; there on the impedance itself, whose resonance would
ask for complex terms).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labkit.core.response import gain_db

TERMS_PER_OCTAVE = 2.0
MARGIN_OCTAVES = 3.0
"""Terms reach this far beyond the band: what lies outside bends the curve inside."""

LEAST_DB = 0.05
"""A contradiction smaller than this is of no account; one radian counts as 8.69 dB."""

OVER_SCATTER = 3.0

FEWEST_POINTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """How far level and phase of a sweep contradict each other, dB (rms), and where most, Hz."""

    rms_db: float
    from_hz: float
    to_hz: float


def contradiction(frequency_hz: np.ndarray, ratio: np.ndarray) -> Contradiction | None:
    """Return what is not causal in measured over fitted; None where level and phase belong together.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    ratio : ndarray, shape (F,), complex
        Measured impedance over a fitted one.

    >>> f = np.geomspace(100, 10e3, 50)
    >>> contradiction(f, 1 + 0.1 / (1 + 1j * f / 2e3)) is None
    True
    >>> contradiction(f, np.where(f > 2e3, 1.1, 1.0 + 0j)) is None
    False
    """
    if frequency_hz.size < FEWEST_POINTS:
        return None
    octaves = np.log2(frequency_hz[-1] / frequency_hz[0]) + 2 * MARGIN_OCTAVES
    corners = frequency_hz[0] * 2.0 ** np.linspace(
        -MARGIN_OCTAVES, octaves - MARGIN_OCTAVES, int(TERMS_PER_OCTAVE * octaves)
    )
    terms = 1 / (1 + 1j * frequency_hz[:, None] / corners)
    around = frequency_hz / np.sqrt(frequency_hz[0] * frequency_hz[-1])
    terms = np.column_stack([np.ones(frequency_hz.size), terms, 1j * around, 1 / (1j * around)])
    stacked, wanted = np.concatenate([terms.real, terms.imag]), np.concatenate([ratio.real, ratio.imag])
    # a little rank: terms this close are nearly alike, and noise must not be followed by their differences
    weights = np.linalg.lstsq(stacked, wanted, rcond=1e-4)[0]
    rest = ratio - terms @ weights
    scatter = np.abs(rest[:-2] - 2 * rest[1:-1] + rest[2:]) / np.sqrt(6)
    smooth = np.convolve(rest, np.ones(5) / 5, mode="valid")
    size = float(np.sqrt(np.mean(np.abs(smooth) ** 2)))
    chance = float(np.median(scatter)) / np.sqrt(5)
    found = float(gain_db(np.array([1 + size]))[0])
    if found < LEAST_DB or size < OVER_SCATTER * chance:
        return None
    worst = np.flatnonzero(np.abs(smooth) > 0.5 * np.abs(smooth).max()) + 2
    return Contradiction(rms_db=found, from_hz=float(frequency_hz[worst[0]]), to_hz=float(frequency_hz[worst[-1]]))
