"""`ChannelRatio`: channel 2 over channel 1 at every frequency, with the uncertainty of each point.

From sweeps: each channel is divided by the sweep, a window round the direct arrival leaves distortion and most noise
outside, and what differs from sweep to sweep is the uncertainty. From tones: one spectral line each, with the floor
beside it as the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import fft

from labkit.bench.recording.excitation import (
    HIGHEST_HZ,
    LEVELS_DB,
    SPACING_S,
    SWEEP_S,
    one_sweep,
    tones_hz,
)
from labkit.core.by_numpy import fast_length

BEFORE_S, AFTER_S = 0.06, 0.42
"""Window round an arrival; the second harmonic arrives 0.21 s early."""

BIN_HZ = 1 / (BEFORE_S + AFTER_S)

LOW_HZ, HIGH_HZ, POINTS_AN_OCTAVE, LEAST_STEP_HZ = 20.0, 20_000.0, 24, 5.0
NOTCH_HZ, NOTCHED_UP_TO_HZ = 3.6, 1300.0

SEARCH_S = 0.05
"""A later sweep is looked for so far from where it should be."""


def _grid() -> np.ndarray:
    points = [LOW_HZ]
    while points[-1] < HIGH_HZ:
        points.append(points[-1] + max(points[-1] * (2 ** (1 / POINTS_AN_OCTAVE) - 1), LEAST_STEP_HZ))
    return np.array(points[:-1])


GRID_HZ = _grid()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRatio:
    """Channel 2 over channel 1.

    Attributes
    ----------
    frequency_hz : ndarray, shape (F,), Hz, rising
    value : ndarray of complex, shape (F,)
    sigma : ndarray, shape (F,)
        Standard deviation of the real part, and of the imaginary part.
    """

    frequency_hz: np.ndarray
    value: np.ndarray
    sigma: np.ndarray

    def at(self, frequency_hz: np.ndarray) -> ChannelRatio:
        """Return the ratio at some of its own frequencies."""
        where = np.searchsorted(self.frequency_hz, frequency_hz)
        return ChannelRatio(frequency_hz=frequency_hz, value=self.value[where], sigma=self.sigma[where])


def shared_frequencies(ratios: list[ChannelRatio]) -> np.ndarray:
    """Return the frequencies that all have."""
    shared = ratios[0].frequency_hz
    for ratio in ratios[1:]:
        shared = np.intersect1d(shared, ratio.frequency_hz)
    return shared


def pulses(samples: np.ndarray, rate: int, *, own_rate: float | None = None) -> np.ndarray:
    """Return channels divided by the sweep: one pulse for each sweep, shape (channels, n).

    Parameters
    ----------
    samples : ndarray, shape (channels, n)
    rate : int, Hz
    own_rate : float, Hz, optional
        Rate that the samples were really taken at, where the file states another.
    """
    length = fast_length(samples.shape[1] + int(SWEEP_S * rate * 1.2))
    played = one_sweep(np.arange(int(SWEEP_S * (own_rate or rate)) + 1) / (own_rate or rate))
    spectrum = fft.rfft(played, length)
    frequency = fft.rfftfreq(length, 1 / (own_rate or rate))
    power = np.abs(spectrum) ** 2
    inside = (frequency > 12.0) & (frequency < HIGHEST_HZ * 0.99)
    regular = power.max() * np.where(inside, 1e-12, 1e-6)
    inverse = np.conj(spectrum) / (power + regular)
    found: np.ndarray = fft.irfft(fft.rfft(samples, length) * inverse, length)
    return found


def compactness(pulse: np.ndarray, rate: float) -> float:
    """Return the share of the energy round the highest pulse that lies within 10 ms of it.

    Close to 1 where the sweep arrives as it was played, 0.6 where its rate is off by a tenth, below 0.1 in anything
    that is no sweep.
    """
    top = int(np.argmax(np.abs(pulse)))
    energy = np.cumsum(pulse**2)

    def within(reach_s: float) -> float:
        reach = int(reach_s * rate)
        return float(energy[min(top + reach, energy.size - 1)] - energy[max(top - reach, 0)])

    return within(0.01) / max(within(0.4), 1e-30)


def arrivals(pulse: np.ndarray, rate: int) -> list[int]:
    """Return the samples at which the sweeps arrive, as many as are found, in time."""
    size = np.abs(pulse)
    first = int(np.argmax(size))
    top = size[first]
    spacing, reach = SPACING_S * rate, int(SEARCH_S * rate)
    while True:
        before = int(first - spacing)
        window = size[max(before - reach, 0) : max(before + reach, 0)]
        if window.size == 0 or window.max() < 0.5 * top:
            break
        first = max(before - reach, 0) + int(np.argmax(window))
    found = [first]
    for level in LEVELS_DB[1:]:
        begin = int(found[-1] + spacing) - reach
        window = size[begin : begin + 2 * reach]
        if window.size < reach or window.max() < 0.3 * 10 ** (level / 20) * top:
            break
        found.append(begin + int(np.argmax(window)))
    return found


def spectra(pulse: np.ndarray, rate: int, places: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the spectrum of each windowed pulse, shape (sweeps, channels, bins), and the bins' frequencies."""
    before, after = round(BEFORE_S * rate), round(AFTER_S * rate)
    window = np.ones(before + after)
    window[: before // 2] = np.sin(np.pi / 2 * (np.arange(before // 2) + 0.5) / (before // 2)) ** 2
    tail = after // 2
    window[-tail:] = np.cos(np.pi / 2 * (np.arange(tail) + 0.5) / tail) ** 2
    cut = np.zeros((len(places), pulse.shape[0], before + after))
    for number, place in enumerate(places):
        piece = pulse[:, max(place - before, 0) : place + after]
        begin = max(before - place, 0)
        cut[number, :, begin : begin + piece.shape[1]] = piece
    return fft.rfft(cut * window), fft.rfftfreq(before + after, 1 / rate)


def ratio_of_sweeps(spectrum: np.ndarray, bins_hz: np.ndarray, hum: tuple[int, ...]) -> ChannelRatio:
    """Return r = Σ H₂·H₁* / Σ |H₁|² over the sweeps, drawn together into `GRID_HZ`.

    Parameters
    ----------
    spectrum : ndarray, shape (sweeps, 2, bins)
    bins_hz : ndarray, shape (bins,)
    hum : tuple of int
        Mains frequencies, Hz, whose harmonics are left out.
    """
    power = np.sum(np.abs(spectrum[:, 0]) ** 2, axis=0)
    ratio = np.sum(spectrum[:, 1] * np.conj(spectrum[:, 0]), axis=0) / power
    left = spectrum[:, 1] - ratio * spectrum[:, 0]
    variance = np.sum(np.abs(left) ** 2, axis=0) / max(spectrum.shape[0] - 1, 1) / power
    free = np.ones(bins_hz.size, dtype=bool)
    for mains in hum:
        harmonic = np.round(bins_hz / mains)
        free &= ~((np.abs(bins_hz - harmonic * mains) < NOTCH_HZ) & (harmonic >= 1) & (bins_hz < NOTCHED_UP_TO_HZ))
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(variance, 9) + 1e-24
    return _on_grid(bins_hz, ratio, smooth, free)


def _on_grid(bins_hz: np.ndarray, ratio: np.ndarray, variance: np.ndarray, free: np.ndarray) -> ChannelRatio:
    """Fit a short polynomial to the bins round every point of the grid, weighted by their variance."""
    frequency, value, sigma = [], [], []
    for centre in GRID_HZ:
        reach = 0.75 * max(centre * (2 ** (1 / POINTS_AN_OCTAVE) - 1), LEAST_STEP_HZ)
        low, high = np.searchsorted(bins_hz, (centre - reach, centre + reach))
        used = np.flatnonzero(free[low:high]) + low
        if used.size < 3:
            continue
        degree = 4 if used.size >= 15 else 2 if used.size >= 8 else 1
        offset = (bins_hz[used] - centre) / reach
        if not offset.min() < 0 < offset.max():
            continue  # a notch on one side: a guess beyond the bins
        weight = 1 / np.sqrt(variance[used])
        terms = offset[:, None] ** np.arange(degree + 1) * weight[:, None]
        inverse = np.linalg.inv(terms.T @ terms)
        fitted = inverse @ (terms.T @ (ratio[used] * weight))
        rest = np.abs(terms @ fitted - ratio[used] * weight) ** 2
        freedom = used.size - degree - 1
        excess = max(1.0, float(rest.sum()) / freedom) if freedom >= 4 else 1.0
        frequency.append(centre)
        value.append(fitted[0])
        sigma.append(np.sqrt(0.5 * inverse[0, 0] * excess))
    return ChannelRatio(frequency_hz=np.array(frequency), value=np.array(value), sigma=np.array(sigma))


TONE_WINDOW_S = 3.9
"""Half of the steady part: the two halves tell what moved."""

_FIRST_S = 0.25
_FINE = 16
"""Bins a hertz; the tones stand on eighths."""

_BESIDE = (-22, -19, -16, 16, 19, 22)
"""Bins where the noise beside a tone is read: outside of the window's own line (0.8 Hz) and of the next tone's."""


def tones_begin(samples: np.ndarray, rate: int) -> int:
    """Return the sample at which the tones begin: where the level of channel 1 first reaches half of its steady one."""
    block = max(round(0.02 * rate), 1)
    blocks = samples[0, : samples.shape[1] // block * block].reshape(-1, block)
    level = np.sqrt(np.mean(blocks**2, axis=1))
    return int(np.argmax(level > 0.5 * np.quantile(level, 0.7))) * block


def tone_lines(samples: np.ndarray, rate: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the lines of both halves, the noise beside them, and the clock's offset.

    Returns
    -------
    lines : ndarray of complex, shape (2 halves, 2 channels, T)
        Turned so that a steady tone has the same phase in both halves.
    noise : ndarray, shape (2, 2, T)
        Root mean square beside them; of channel 2 less its share of what channel 1 has there.
    offset : float
        How much faster the tones are than they should be; 1e-6 is 1 ppm.
    """
    begin = tones_begin(samples, rate) + round(_FIRST_S * rate)
    length = round(TONE_WINDOW_S * rate)
    window = np.blackman(length)
    halves = np.stack([samples[:, begin + half * length : begin + (half + 1) * length] * window for half in (0, 1)])
    spectrum = fft.rfft(halves, _FINE * rate)
    tones = np.array(tones_hz())
    top, reach = round(tones[-1] * _FINE), 12 * _FINE
    size = np.abs(spectrum[0, 0, top - reach : top + reach])
    peak = int(np.clip(np.argmax(size), 1, size.size - 2))
    left, middle, right = (float(size[peak + step]) for step in (-1, 0, 1))
    curved = left - 2 * middle + right
    offset = (peak - reach + (0.5 * (left - right) / curved if curved else 0.0)) / top
    frequency = tones * (1 + offset)
    places = np.round(frequency * _FINE).astype(int)
    lines = spectrum[..., places]
    beside = np.stack([spectrum[..., places + step] for step in _BESIDE])
    noise = np.empty(lines.shape)
    noise[:, 0] = np.sqrt(np.mean(np.abs(beside[:, :, 0]) ** 2, axis=0))
    ratio = lines[:, 1] / np.maximum(np.abs(lines[:, 0]), 1e-30) ** 2 * np.conj(lines[:, 0])
    noise[:, 1] = np.sqrt(np.mean(np.abs(beside[:, :, 1] - ratio * beside[:, :, 0]) ** 2, axis=0))
    lines[1] = lines[1] * np.exp(-2j * np.pi * frequency * length / rate)
    return lines, noise, offset


def ratio_of_tones(lines: np.ndarray, noise: np.ndarray) -> ChannelRatio:
    """Return channel 2 over channel 1 at the tones, with the noise beside them as uncertainty."""
    power = np.sum(np.abs(lines[:, 0]) ** 2, axis=0)
    ratio = np.sum(lines[:, 1] * np.conj(lines[:, 0]), axis=0) / power
    sigma = np.sqrt(0.5 * np.sum(noise[:, 1] ** 2 * np.abs(lines[:, 0]) ** 2, axis=0)) / power
    return ChannelRatio(frequency_hz=np.array(tones_hz()), value=ratio, sigma=sigma)
