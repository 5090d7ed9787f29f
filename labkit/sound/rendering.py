"""Rendering: a take through a response, on the bins of one Fourier transform.

The spectrum of the take is made once; every change of a knob then costs one evaluation of the response on the bins,
one multiplication and one inverse transform.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.fft

from labkit.core.errors import InputError
from labkit.sound.take import Take

Evaluate = Callable[[np.ndarray], np.ndarray]
"""``evaluate(frequency_hz)``: complex gain, shape (F,) for all coils alike or (coils, F) for each its own."""

TAIL_S = 0.25
"""Silence added before the transform, so that the ringing of a response does not wrap round to the start:
a resonance of Q 30 at 500 Hz has fallen by 110 dB in this time."""


class Renderer:
    """A take, ready to be rendered again and again.

    Parameters
    ----------
    take : Take

    >>> from labkit.sound.take import Take
    >>> take = Take(name="click", rate=8000, coils=("a",), emf=np.eye(1, 800))
    >>> float(Renderer(take).render(lambda frequency_hz: np.full(frequency_hz.shape, 0.5 + 0j)).max())  # doctest: +SKIP
    0.5
    """

    def __init__(self, take: Take) -> None:
        self.take = take
        length = scipy.fft.next_fast_len(take.emf.shape[1] + round(TAIL_S * take.rate), real=True)
        self._length = length + length % 2
        self._spectrum = scipy.fft.rfft(take.emf, self._length, axis=-1)
        bins: np.ndarray = scipy.fft.rfftfreq(self._length, 1 / take.rate)[1:]
        bins.flags.writeable = False
        self.frequency_hz = bins
        """Frequencies at which a response is wanted, Hz: every bin but zero, shape (F,)."""

    def render(self, evaluate: Evaluate) -> np.ndarray:
        """Return the voltage at the output, shape (samples,), V.

        The sample at Nyquist takes the real part of the response; zero frequency is silent, since an EMF has no DC.

        Parameters
        ----------
        evaluate : callable
            See `Evaluate`.
        """
        return self.render_values(evaluate(self.frequency_hz))

    def render_values(self, values: np.ndarray) -> np.ndarray:
        """Return the output voltage for a response already known at `frequency_hz`.

        Parameters
        ----------
        values : ndarray, shape (F,) or (coils, F), complex
        """
        values = np.asarray(values)
        wanted = (len(self.take.coils), self.frequency_hz.size)
        if values.shape not in (wanted, wanted[1:]):
            raise InputError(f"a response must have shape {wanted[1:]} or {wanted}; got {values.shape}")
        out = np.empty(self.frequency_hz.size + 1, dtype=complex)
        out[0] = 0.0
        if values.ndim == 1:
            emf = self._spectrum[0] if wanted[0] == 1 else self._spectrum.sum(axis=0)
            np.multiply(emf[1:], values, out=out[1:])
        else:
            np.multiply(self._spectrum[0, 1:], values[0], out=out[1:])
            for spectrum, row in zip(self._spectrum[1:], values[1:]):
                out[1:] += spectrum[1:] * row
        out[-1] = out[-1].real
        if not np.all(np.isfinite(out.view(float))):
            raise InputError("the response is not a finite number at every frequency, so it cannot be heard")
        return scipy.fft.irfft(out, self._length, overwrite_x=True)[: self.take.emf.shape[1]]
