"""Random pickups in random, imperfect fixtures: sweeps whose truth is known, for the coverage of intervals.

What a coil shows is written out anew here, not taken from the formula that fits; a core may also lose by half an order,
which no fitted core does exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from labkit.bench.fit.fit import Fit, fit_sweeps
from labkit.bench.fit.fixture import NO_LOAD, Fixture, Load, Measurement
from labkit.bench.fit.prediction import peak_of
from labkit.bench.read.sweep import Sweep
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection

FREQUENCY = np.geomspace(50.0, 20_000.0, 120)


@dataclass(frozen=True, kw_only=True)
class Bench:
    """How sweeps are taken: kind, what is stated about the parts, and what is really wrong with them.

    Tolerances are 95 %; ``scatter_db`` is white, ``wave_db`` smooth with a width of ``wave_width`` in ln f.
    """

    name: str
    kind: str = "impedance"
    scatter_db: float = 0.05
    wave_db: float = 0.1
    wave_width: float = 0.4
    series_off: float | None = None
    series_stated: float = 0.01
    meter_stated: bool = True
    dc_reading: bool = False
    core: str = "one section"
    load: Load = field(
        default_factory=lambda: Load(
            resistance=200e3, capacitance=470e-12, resistance_tolerance=0.02, capacitance_tolerance=0.05
        )
    )


def random_coil(random: np.random.Generator, core: str) -> Coil:
    eddy = [EddySection(fraction=random.uniform(0.07, 0.3), corner_hz=random.uniform(2e3, 7e3))]
    if core == "two sections":
        eddy.append(EddySection(fraction=random.uniform(0.05, 0.2), corner_hz=random.uniform(10e3, 25e3)))
    return Coil(
        resistance=random.uniform(4e3, 14e3),
        inductance=random.uniform(1.5, 7.0),
        capacitance=random.uniform(70e-12, 220e-12),
        eddy=tuple(eddy),
    )


def at_leads(coil: Coil, core: str, frequency: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Impedance with an admittance across the leads, and voltage over EMF, written out anew."""
    s = 2j * np.pi * frequency
    kept = np.ones(frequency.size, dtype=complex)
    if core == "half order":  # a thick conducting core: 1 − K·√x/(1 + √x)
        root = np.sqrt(1j * frequency / coil.eddy[0].corner_hz)
        kept = kept - coil.eddy[0].fraction * root / (1 + root)
    else:
        for section in coil.eddy:
            kept = kept - section.fraction * 1j * frequency / (1j * frequency + section.corner_hz)
    branch = coil.resistance + s * coil.inductance * kept
    total = s * coil.capacitance + across
    return branch / (1 + branch * total), 1 / (1 + branch * total)


def simulate(bench: Bench, seed: int) -> tuple[Coil, list[Measurement], Interval | None]:
    """Return a random coil, its sweeps bare and loaded with the fixture as stated, and a DC reading."""
    random = np.random.default_rng([1971, seed])

    def true(value: float, tolerance: float) -> float:
        return value * math.exp(tolerance / 1.96 * random.standard_normal())

    coil = random_coil(random, bench.core)
    series = true(1e6, bench.series_stated) if bench.series_off is None else 1e6 * (1 + bench.series_off)
    meter, corner = true(1e6, 0.05), true(3000.0, math.log(2.0))
    box = (true(bench.load.resistance, 0.02), true(bench.load.capacitance, 0.05))
    centres = np.arange(math.log(50) - 1, math.log(20e3) + 1, bench.wave_width)
    bumps = np.exp(-(((np.log(FREQUENCY)[:, None] - centres) / bench.wave_width) ** 2))
    bumps = bumps / np.sqrt((bumps**2).sum(axis=1, keepdims=True))
    measurements = []
    for name, load, (ohms, farads) in (("bare", NO_LOAD, (math.inf, 0.0)), ("loaded", bench.load, box)):
        across = 1 / ohms + 1 / meter + 2j * np.pi * FREQUENCY * farads
        impedance, voltage = at_leads(coil, bench.core, FREQUENCY, across)
        reading = {
            "impedance": impedance,
            "divider": impedance / (impedance + series),
            "exciter": voltage * 1j * FREQUENCY / (1 + 1j * FREQUENCY / corner),
        }[bench.kind]
        error = bench.scatter_db * random.standard_normal(FREQUENCY.size)
        error = error + bench.wave_db * bumps @ random.standard_normal(centres.size)
        fixture = Fixture(
            kind=bench.kind,  # type: ignore[arg-type]
            load=load,
            meter_resistance=1e6 if bench.meter_stated else None,
            series_resistance=1e6 if bench.kind == "divider" else None,
            series_tolerance=bench.series_stated,
            rig_corner_hz=3000.0 if bench.kind == "exciter" else math.inf,
            fit_rig_corner=bench.kind == "exciter",
        )
        sweep = Sweep(
            frequency_hz=FREQUENCY, magnitude=np.abs(reading) * 10 ** (error / 20), kind=fixture.kind, name=name
        )
        measurements.append(Measurement(sweep=sweep, fixture=fixture))
    reading_ohm = Interval.relative(true(coil.resistance, 0.005), 0.005) if bench.dc_reading else None
    return coil, measurements, reading_ohm


def held(bench: Bench, seed: int) -> tuple[Coil, dict[str, bool], Fit]:
    """Fit one simulated pickup; say which intervals hold the truth: R, L, C, loaded peak and its height."""
    coil, measurements, resistance = simulate(bench, seed)
    exact = Load(resistance=200e3, capacitance=470e-12, resistance_tolerance=0.0, capacitance_tolerance=0.0)
    fit = fit_sweeps(measurements, resistance=resistance, predicted_load=exact)
    grid = np.geomspace(100.0, 20e3, 3000)
    across = 1 / 200e3 + 2j * np.pi * grid * 470e-12
    level = 20 * np.log10(np.abs(at_leads(coil, bench.core, grid, across)[1]))
    peak, band = peak_of(grid, level), fit.prediction.peak
    found = {
        name: getattr(fit, name).holds(getattr(coil, name)) for name in ("resistance", "inductance", "capacitance")
    }
    if peak is not None and band is not None:
        found["loaded peak"] = band.frequency_hz.holds(peak[0])
        found["height of it"] = band.height_db.holds(peak[1] - level[0])
    return coil, found, fit
