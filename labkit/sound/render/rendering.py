"""Rendering: a take through a response, on the bins of one Fourier transform.

The spectrum of the take is made once; every change of a knob then costs one evaluation of the response on the bins,
one multiplication and one inverse transform.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from labkit.core.by_numpy import fast_length
from labkit.core.errors import InputError
from labkit.sound.take.take import Take

Evaluate = Callable[[np.ndarray], np.ndarray]
"""``evaluate(frequency_hz)``: complex gain, shape (F,) for all coils alike or (coils, F) for each its own."""

TAIL_S = 0.25
"""Silence added before the transform, so that the ringing of a response does not wrap round to the start:
a resonance of Q 30 at 500 Hz has fallen by 110 dB in this time."""


_DENSE_BINS = 512
"""The response is evaluated at every bin up to here, then at half as many points in each octave (steps ≤ 0.4 %)."""

_STRIP = 128
"""Columns of one small matrix product: larger ones wake the matrix library's other threads, which then spin."""


class BinSampler:
    """Few points at which a response is evaluated, and the bins it is spread to.

    A response is smooth on the scale of its resonances, while the bins of a four-second sound are 0.25 Hz apart. In the
    octave from 512·2^s bins on, every 2^(s+1)-th bin is evaluated and the bins between follow by the cubic through
    four neighbours. The error for a resonance of quality Q is near 9·(0.0039·Q)⁴ of its height: 0.02 dB at Q 30,
    0.0002 dB at Q 10; loaded pickups stay below 6.

    Parameters
    ----------
    bins : int
        Bins 1 … ``bins`` are wanted.
    spacing_hz : float, Hz
    """

    def __init__(self, bins: int, spacing_hz: float) -> None:
        self._sections: list[tuple[slice, slice, int, np.ndarray]] = []
        dense = min(bins, _DENSE_BINS)
        points = [np.arange(1, dense + 1)]
        used, first, ratio = dense, dense, 2
        while first < bins:
            intervals = min(_DENSE_BINS // 2, -(-(bins - first) // ratio))
            count = min(intervals * ratio, bins - first)
            points.append(first + ratio * np.arange(-1, intervals + 2))
            target, source = slice(first, first + count), slice(used, used + intervals + 3)
            self._sections.append((target, source, ratio, _cubic(ratio)))
            used, first, ratio = used + intervals + 3, first + count, 2 * ratio
        self._dense, self.bins = dense, bins
        self.frequency_hz: np.ndarray = np.concatenate(points) * spacing_hz
        """Where the response has to be evaluated, Hz, shape (P,)."""

    def spread(self, values: np.ndarray, out: np.ndarray | None = None) -> np.ndarray:
        """Return a response at every bin from its values at `frequency_hz`.

        Parameters
        ----------
        values : ndarray, shape (..., P), complex
        out : ndarray, shape (rows, bins), complex, optional
            Written to where given, so that a big array is not made anew for every turn of a knob.

        Returns
        -------
        ndarray, shape (..., bins), complex
        """
        rows = values.reshape(-1, values.shape[-1])
        out = np.empty((rows.shape[0], self.bins), dtype=complex) if out is None else out
        out[:, : self._dense] = rows[:, : self._dense]
        for target, source, ratio, weights in self._sections:
            intervals = source.stop - source.start - 3
            between = np.empty((intervals, ratio), dtype=complex)
            for row, spread in zip(rows, out):
                points = row[source]
                windows = np.stack([points[k : k + intervals] for k in range(4)], axis=-1)
                for strip in range(0, ratio, _STRIP):
                    between[:, strip : strip + _STRIP] = windows @ weights[:, strip : strip + _STRIP]
                spread[target] = between.reshape(-1)[: target.stop - target.start]
        return out.reshape(*values.shape[:-1], self.bins)


def _cubic(ratio: int) -> np.ndarray:
    """Weights of four neighbours for the points (j+1)/ratio of the middle interval, shape (4, ratio), complex."""
    t = np.arange(1, ratio + 1) / ratio
    weights = [
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    ]
    return np.array(weights, dtype=complex)


class Renderer:
    """A take, ready to be rendered again and again (in one thread: it keeps its work space).

    Parameters
    ----------
    take : Take

    >>> take = Take(name="click", rate=8000, coils=("a",), emf=np.eye(1, 800))
    >>> half = Renderer(take).render(lambda frequency_hz: np.full(frequency_hz.shape, 0.5 + 0j))
    >>> len(half), round(float(half[0]), 3)
    (800, 0.5)
    """

    def __init__(self, take: Take) -> None:
        self.take = take
        length = fast_length(take.emf.shape[1] + round(TAIL_S * take.rate))
        self._length = length + length % 2
        self._spectrum = np.fft.rfft(take.emf, self._length, axis=-1)[:, 1:]
        self._sampler = BinSampler(self._length // 2, take.rate / self._length)
        self._responses = np.empty((self._spectrum.shape[0], self._sampler.bins), dtype=complex)
        self._product = np.empty(self._sampler.bins + 1, dtype=complex)

    def render(self, evaluate: Evaluate) -> np.ndarray:
        """Return the voltage at the output, shape (samples,), V.

        Parameters
        ----------
        evaluate : callable
            See `Evaluate`; called once, with a few thousand frequencies (see `BinSampler`).
        """
        values = np.asarray(evaluate(self._sampler.frequency_hz), dtype=complex)
        wanted = (len(self.take.coils), self._sampler.frequency_hz.size)
        if values.shape not in (wanted, wanted[1:]):
            raise InputError(f"a response must have shape {wanted[1:]} or {wanted}; got {values.shape}")
        responses = self._responses[: values.reshape(-1, values.shape[-1]).shape[0]]
        self._sampler.spread(values, out=responses)
        if values.ndim == 1:
            return self._sound(responses[0] * self._spectrum.sum(axis=0))
        np.multiply(responses, self._spectrum, out=responses)
        return self._sound(responses[0] if len(responses) == 1 else responses.sum(axis=0))

    def _sound(self, spectrum: np.ndarray) -> np.ndarray:
        product = self._product
        product[0] = 0.0
        product[1:] = spectrum
        product[-1] = product[-1].real
        if not np.isfinite(product.view(float).sum()):
            raise InputError("the response is not a finite number at every frequency, so it cannot be heard")
        sound: np.ndarray = np.fft.irfft(product, self._length)[: self.take.emf.shape[1]]
        return sound
