"""A simulated bench for the shim test: a string that moves over a flux curve, and the input that records it.

Nothing of labkit is used: the flux over height is a curve of its own, the string's motion is drawn in time, voltage is
the difference of the flux from sample to sample, and the input's corners are recursive filters at the full rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter


@dataclass(frozen=True, kw_only=True)
class Lift:
    """A simulated string and input; lengths in m, voltages in V."""

    rate: int = 44_100
    flux_per_mm: float = 37e-6  # V·s over the first 1 mm
    steepness: float = 250.0  # 1/m: how fast the flux falls with height
    shim: float = 1e-3
    moves: int = 8
    pause_s: float = 1.8
    repeat: float = 0.005  # of the height, one standard deviation from move to move
    frequency_hz: float = 330.0
    full_scale: float = 0.05
    corners_hz: tuple[float, ...] = (2.0,)
    hum_hz: float = 50.0
    hum: float = 0.5e-3
    drift: float = 20e-6  # V, of a slow wander
    noise: float = 3e-6
    bits: int = 24

    @property
    def flux(self) -> float:
        """Change of flux of one move, V·s."""
        return self.flux_per_mm * (1 - np.exp(-self.steepness * self.shim)) / (1 - np.exp(-self.steepness * 1e-3))

    def emf(self, generator: np.random.Generator, *, slow: int | None = None, short: int | None = None) -> np.ndarray:
        """Voltage of the coil, V; one move may be slow (0.9 s), or short of its way."""
        time = np.arange(round((self.moves + 1) * self.pause_s * self.rate)) / self.rate
        height = np.zeros_like(time)
        here = 0.0
        for move in range(self.moves):
            up = move % 2 == 0
            at = (move + 1) * self.pause_s - self.pause_s / 4 + generator.uniform(-0.1, 0.1)
            target = self.shim * (1 + self.repeat * generator.normal()) if up else 0.0
            if move == short:
                target = 0.6 * target if up else 0.4 * here
            last = generator.uniform(0.05, 0.25) if up else generator.uniform(0.004, 0.02)
            if move == slow:
                last = 0.9
            part = np.clip((time - at) / last, 0, 1)
            height += (target - here) * part**3 * (10 - 15 * part + 6 * part**2)
            ring = 0.08 * (target - here) * (not up)
            after = np.clip(time - at - last, 0, None)
            height += ring * np.sin(2 * np.pi * self.frequency_hz * after) * np.exp(-after / 0.15)
            here = target
        scale = self.flux_per_mm / (1 - np.exp(-self.steepness * 1e-3))
        flux = -scale * np.exp(-self.steepness * height)
        return np.diff(flux, prepend=flux[0]) * self.rate

    def recording(self, seed: int, **damage: int | None) -> np.ndarray:
        """What the interface writes, full scale 1."""
        generator = np.random.default_rng(seed)
        volts = self.emf(generator, **damage)
        time = np.arange(volts.size) / self.rate
        for order, size in ((1, 1.0), (2, 0.3), (3, 0.5), (5, 0.2), (7, 0.1)):
            phase = generator.uniform(0, 2 * np.pi)
            wobble = 1 + 0.03 * np.sin(2 * np.pi * generator.uniform(0.1, 0.5) * time + phase)
            volts = volts + self.hum * size * wobble * np.sin(2 * np.pi * order * self.hum_hz * time + phase)
        volts = volts + self.drift * np.sin(2 * np.pi * generator.uniform(0.02, 0.15) * time + generator.uniform(0, 6))
        volts = volts + self.noise * generator.normal(size=time.size)
        for corner in self.corners_hz:
            k = np.tan(np.pi * corner / self.rate)
            volts = lfilter([1 / (1 + k), -1 / (1 + k)], [1, -(1 - k) / (1 + k)], volts)
        level = np.clip(volts / self.full_scale + 20e-6, -1, 1 - 2.0 ** (1 - self.bits))
        return np.round(level * 2 ** (self.bits - 1)) / 2 ** (self.bits - 1)
