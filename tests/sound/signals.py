"""Signals and measurements of the sound tests, written without the code under test."""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal

RATE = 48_000


def resonance(peak_hz: float, quality: float, gain: float = 1.0):
    """A second-order low-pass, the shape of a loaded pickup: gain/(1 + jx/Q − x²)."""

    def evaluate(frequency_hz: np.ndarray) -> np.ndarray:
        x = np.asarray(frequency_hz) / peak_hz
        return gain / (1 + 1j * x / quality - x**2)

    return evaluate


def amplitude_at(signal: np.ndarray, rate: int, frequency_hz: float) -> float:
    """Amplitude of a spectral line at an exact frequency, under a Blackman–Harris window."""
    window = scipy.signal.windows.blackmanharris(signal.size, sym=False)
    turns = np.exp(-2j * np.pi * frequency_hz / rate * np.arange(signal.size))
    return float(2 * np.abs(np.sum(signal * window * turns)) / window.sum())


def line_near(signal: np.ndarray, rate: int, frequency_hz: float, width_hz: float) -> float:
    """Frequency of the strongest spectral line within ± ``width_hz``, by a parabola over the log spectrum."""
    length = 4 * signal.size
    window = scipy.signal.windows.blackmanharris(signal.size, sym=False)
    spectrum = np.abs(scipy.fft.rfft(signal * window, length))
    spacing = rate / length
    low, high = int((frequency_hz - width_hz) / spacing), int((frequency_hz + width_hz) / spacing)
    index = low + int(np.argmax(spectrum[low:high]))
    below, centre, above = np.log(spectrum[index - 1 : index + 2])
    return (index + 0.5 * (below - above) / (below - 2 * centre + above)) * spacing


def k_weighted_loudness(signal: np.ndarray) -> float:
    """BS.1770-5 loudness of mono sound at 48 kHz by the printed coefficients (Tables 1, 2) and equations (2) to (7)."""
    stage1 = ([1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585])
    stage2 = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
    weighted = scipy.signal.lfilter(*stage2, scipy.signal.lfilter(*stage1, signal))
    block, step = int(0.4 * RATE), int(0.1 * RATE)
    power = np.array(
        [np.mean(weighted[start : start + block] ** 2) for start in range(0, signal.size - block + 1, step)]
    )
    loudness = -0.691 + 10 * np.log10(power + 1e-30)
    loud = power[loudness > -70]
    relative = -0.691 + 10 * np.log10(np.mean(loud)) - 10
    return float(-0.691 + 10 * np.log10(np.mean(power[(loudness > -70) & (loudness > relative)])))


def spectral_difference_db(
    got: np.ndarray, wanted: np.ndarray, rate: int, band_hz: tuple[float, float], floor_db: float = -60.0
) -> float:
    """Largest difference of two spectra in a band, where the wanted one lies within ``floor_db`` of its highest line.

    Bins are smoothed over 8 neighbours in power, so that a notch between lines does not count as a difference.
    """
    spacing = rate / wanted.size

    def power(signal: np.ndarray) -> np.ndarray:
        window = scipy.signal.windows.hann(signal.size, sym=False)
        return scipy.signal.fftconvolve(np.abs(scipy.fft.rfft(signal * window)) ** 2, np.ones(8) / 8, mode="same")

    one, other = power(got), power(wanted)
    frequency = np.arange(other.size) * spacing
    judged = (frequency >= band_hz[0]) & (frequency <= band_hz[1]) & (other > other.max() * 10 ** (floor_db / 10))
    assert np.count_nonzero(judged) > 200
    return float(np.max(np.abs(10 * np.log10(one[judged] / other[judged]))))
