"""A sound interface, its fixture and a pickup, simulated from the printed formulas; shares nothing with labkit.

The excitation is written out anew from its description, so that a wrong one in labkit cannot agree with itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft as sf

BOLTZMANN_4T = 4 * 1.380649e-23 * 295
LEVELS = (0.0, 0.0, -10.0)
LENGTH = 0.3 * np.log(2030.0)
SPACING = 3 + 1 / 90


def sweep(time):
    """sin(2π·10·0.3·(exp(t/0.3) − 1)), 10 Hz to 20.3 kHz, fades of 0.1 s and 4 ms."""
    inside = (time >= 0) & (time <= LENGTH)
    t = time[inside]
    y = np.zeros_like(time)
    fades = np.sin(np.pi / 2 * np.minimum(t / 0.1, 1)) * np.sin(np.pi / 2 * np.minimum((LENGTH - t) / 0.004, 1))
    y[inside] = np.sin(6 * np.pi * np.expm1(t / 0.3)) * fades**2
    return y


@dataclass(frozen=True)
class Coil:
    """A pickup by the printed formula: (R + jωL(1 − K·jf/(jf + f_e))) ∥ C."""

    R: float
    L: float
    C: float
    K: float
    fe: float

    def branch(self, f):
        return self.R + 2j * np.pi * f * self.L * (1 - self.K * 1j * f / (1j * f + self.fe))

    def impedance(self, f):
        return self.branch(f) / (1 + 2j * np.pi * f * self.C * self.branch(f))


def coils(count, seed=7):
    r = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        R = r.uniform(3.2e3, 16e3)
        found.append(
            Coil(
                R,
                R * r.uniform(3.3e-4, 6.2e-4),
                r.uniform(60, 250) * 1e-12,
                r.uniform(0.05, 0.35),
                r.uniform(1.8e3, 9e3),
            )
        )
    return found


@dataclass(frozen=True)
class Interface:
    rate: int = 48000
    series: float = 220e3
    series_c: float = 0.25e-12
    input_r: float = 1e6
    input_c: float = 150e-12
    line_r: float = 1e6
    line_c: float = 150e-12
    output_r: float = 150.0
    output_peak: float = 2.8
    full_scale: float = 4.4
    noise_db: float = -104.0
    gain: tuple = (1.0, 0.985)
    high_pass: tuple = (2.0, 2.7)
    low_pass: tuple = (60e3, 57e3)
    delay: float = 0.3e-6
    crosstalk_db: float = -90.0
    second_db: float = -85.0
    third_db: float = -85.0
    clock: float = 50e-6
    mains: float = 50.0
    hum: float = 2e-3


def random_interface(seed, **fixed):
    """An interface with errors of its own, drawn from what interfaces are specified to."""
    r = np.random.default_rng(seed)
    drawn = Interface(
        rate=int(r.choice([44100, 48000, 96000])),
        input_r=r.uniform(0.9e6, 1.1e6),
        input_c=r.uniform(80e-12, 260e-12),
        line_r=r.uniform(9e3, 1e6),
        gain=(1.0, 10 ** (r.uniform(-6, 6) / 20)),
        high_pass=tuple(r.uniform(1, 4, 2)),
        low_pass=tuple(r.uniform(40e3, 90e3, 2)),
        delay=r.uniform(-1e-6, 1e-6),
        crosstalk_db=r.uniform(-95, -75),
        clock=r.uniform(-1e-4, 1e-4),
        mains=float(r.choice([50, 60])),
        hum=r.uniform(0.5e-3, 10e-3),
        output_r=r.uniform(50, 600),
        series_c=0.25e-12 + r.normal(0, 0.05e-12),
    )
    return replace(drawn, **fixed)


def parallel(*z):
    return 1 / sum(1 / np.asarray(x) for x in z)


def nodes(i, f, z, take):
    """Voltages at source and pickup per open-source volt, the share of the coil's own EMF, and the noise resistance."""
    f = np.maximum(f, 1e-3)
    second = parallel(i.input_r, 1 / (2j * np.pi * f * i.input_c))
    first = parallel(i.line_r, 1 / (2j * np.pi * f * i.line_c))
    series = parallel(i.series, 1 / (2j * np.pi * f * i.series_c))
    if take in ("source", "again"):
        load = parallel(first, second)
        v = load / (load + i.output_r)
        return v, v, np.zeros(f.size), np.full(f.size, i.output_r)
    across = {"shorted": np.full(f.size, 0.05 + 0j), "open": second, "open again": second}.get(take)
    across = parallel(z, second) if across is None else across
    load = parallel(first, series + across)
    v1 = load / (load + i.output_r)
    back = series + parallel(i.output_r, first)
    share = parallel(second, back) / (parallel(second, back) + z) if take == "pickup" else np.zeros(f.size)
    return v1, v1 * across / (series + across), share, np.real(parallel(across, back))


def exciter_nodes(i, f, coil, sense=100.0, coil_r=30.0, coil_l=4e-3, mutual=2e-3):
    """The exciter's current through 100 Ω at channel 1; the EMF jωM·I behind the coil's branch at channel 2."""
    w = 2j * np.pi * np.maximum(f, 1e-3)
    second = parallel(i.input_r, 1 / (w * i.input_c))
    current = 1 / (i.output_r + coil_r + w * coil_l + sense)
    share = 1 / (1 + coil.branch(f) * (w * coil.C + 1 / second))
    return current * sense, w * mutual * current * share, share, np.real(parallel(coil.impedance(f), second))


def record(i, take, coil=None, *, z=None, seed=0, level_db=-12.0, played=None, exciter=False, drift=(0.0, 0.0)):
    """Samples of both channels. ``played`` is a function of time in place of the sweeps; ``drift`` a gain (dB) and a
    capacitance (F) by which channel 2 has moved since calibration."""
    i = replace(i, gain=(i.gain[0], i.gain[1] * 10 ** (drift[0] / 20)), input_c=i.input_c + drift[1])
    r, rate = np.random.default_rng(seed), i.rate
    n = sf.next_fast_len(int((1.2 + 3 * SPACING + 0.3) * rate), real=True)
    t = np.arange(n) / rate * (1 + i.clock) - 1.2 - r.uniform(0, 1) / rate
    if played is None:
        x = sum(10 ** (level / 20) * sweep(t - k * SPACING) for k, level in enumerate(LEVELS))
    else:
        x = played(t)
    x = x * 10 ** (level_db / 20)
    x = x + 10 ** (i.second_db / 20) * x**2 + 10 ** (i.third_db / 20) * x**3
    f = sf.rfftfreq(n, 1 / rate)
    source = sf.rfft(x) * i.output_peak * (1j * f / (1j * f + 1.5))
    if exciter and take == "pickup":
        v1, v2, share, noise_r = exciter_nodes(i, f, coil)
    else:
        z = np.full(f.size, 1e12 + 0j) if coil is None and z is None else coil.impedance(f) if z is None else z(f)
        v1, v2, share, noise_r = nodes(i, f, z, take)
    turn = 2 * np.pi * i.mains * (1 + r.normal(0, 2e-4)) * np.arange(n) / rate + np.cumsum(r.normal(0, 1e-5, n))
    once, power, hum = np.exp(1j * turn), 1, 0
    for k in range(1, 16):
        power = power * once
        hum = hum + i.hum / k**1.3 * (1 if k % 2 else 0.35) * (power * np.exp(1j * r.uniform(0, 6.28))).imag
    thermal = sf.rfft(r.normal(size=n)) * np.sqrt(BOLTZMANN_4T * np.maximum(noise_r, 0) * rate / 2)
    a, b = source * v1, source * v2 + sf.rfft(hum) * share + thermal
    leak = 10 ** (i.crosstalk_db / 20) * (1 + 1j * f / 10e3)
    a, b = a + leak * b, b + leak * a
    out = []
    for k, y in enumerate((a, b)):
        y = y * i.gain[k] * (1j * f / (1j * f + i.high_pass[k])) / (1 + 1j * f / i.low_pass[k])
        y = sf.irfft(y * np.exp(-2j * np.pi * f * i.delay * k), n) / i.full_scale
        y = y + r.normal(0, 10 ** (i.noise_db / 20), n)
        out.append(np.round(np.clip(y, -1, 1 - 2**-23) * 2**23) / 2**23)
    return np.array(out)
