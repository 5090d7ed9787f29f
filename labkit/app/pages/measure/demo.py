"""The sweeps the measure page opens with: an invented pickup of the winding room at Saltmarsh Lane.

Model plus seeded noise, kept as two small files so that they can be downloaded, read and compared like anybody's own;
`demo_text` makes them again to the byte. The fit that belongs to them is kept beside them, so that the page opens
with it; a test fits them anew.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources

import numpy as np

from labkit.app.kit.upload import GivenFile
from labkit.bench.fit.fit import EddyFit, Fit, Residual
from labkit.bench.fit.fixture import NO_LOAD, STANDARD_LOAD, Fixture, Load, Measurement
from labkit.bench.fit.model import fixture_reading
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection

DEMO_COIL = Coil(
    resistance=6210.0, inductance=2.55, capacitance=95e-12, eddy=(EddySection(fraction=0.12, corner_hz=4000.0),)
)
"""The invented truth behind the demo: a narrow single coil, wound a little full."""

DEMO_RESISTANCE = 6210.0
DEMO_METER_RESISTANCE = 1e6
DEMO_METER_CAPACITANCE = 30e-12
DEMO_LOADS: dict[str, Load] = {"worn single coil, bare.csv": NO_LOAD, "worn single coil, 200k 470p.csv": STANDARD_LOAD}
DEMO_NOISE_DB = 0.12
"""Standard deviation of one point: a sound card's level with a coil held by hand (common practice, no source)."""

_FILES = {name: f"{stem}.csv" for name, stem in zip(DEMO_LOADS, ("bare", "loaded"))}


def demo_fixture(name: str) -> Fixture:
    """Return how a demo sweep was taken: exciter coil, level meter of 1 MΩ and 30 pF."""
    return Fixture(
        kind="exciter",
        load=DEMO_LOADS[name],
        meter_resistance=DEMO_METER_RESISTANCE,
        meter_capacitance=DEMO_METER_CAPACITANCE,
    )


def demo_text(name: str) -> str:
    """Make a demo sweep: 30 points a decade from 40 Hz to 20 kHz, level in dB of an arbitrary zero."""
    frequency = np.round(np.geomspace(40.0, 20_000.0, 82), 1)
    random = np.random.default_rng([14, list(DEMO_LOADS).index(name)])
    level = 20 * np.log10(np.abs(fixture_reading(DEMO_COIL, demo_fixture(name), frequency))) - 20
    level = level + DEMO_NOISE_DB * random.standard_normal(frequency.size)
    rows = "".join(f"{hertz:.1f},{decibel:.2f}\n" for hertz, decibel in zip(frequency, level))
    return f"Frequency (Hz),Level (dB)\n{rows}"


@cache
def demo_files() -> tuple[GivenFile, ...]:
    """Return the demo sweeps as if somebody had dropped them."""
    folder = resources.files("labkit") / "data" / "demo_sweeps"
    return tuple(GivenFile(name=name, content=(folder / file).read_bytes()) for name, file in _FILES.items())


def demo_fit(measurements: list[Measurement]) -> Fit:
    """Return the kept fit of the demo sweeps; residuals are worked out from them."""
    text = (resources.files("labkit") / "data" / "demo_sweeps" / "fit.json").read_text(encoding="utf-8")
    kept = json.loads(text)

    def interval(data: dict[str, float]) -> Interval:
        return Interval(**data)

    fit = Fit(
        name=kept["name"],
        resistance=interval(kept["resistance_ohm"]),
        inductance=interval(kept["inductance_h"]),
        capacitance=interval(kept["capacitance_f"]),
        loss_resistance=None,
        eddy=tuple(
            EddyFit(fraction=interval(section["fraction"]), corner_hz=interval(section["corner_hz"]))
            for section in kept["eddy"]
        ),
        rig_corner_hz=None,
        residual_db=kept["residual_db"],
        residuals=(),
        correlations={tuple(pair.split(" / ")): value for pair, value in kept["correlations"].items()},
        warnings=tuple(kept["warnings"]),
        provenance=tuple(kept["provenance"]),
    )
    residuals = []
    for measurement, level in zip(measurements, kept["levels_db"]):
        sweep = measurement.sweep
        model = 20 * np.log10(np.abs(fixture_reading(fit.coil, measurement.fixture, sweep.frequency_hz)))
        residuals.append(
            Residual(name=sweep.name, frequency_hz=sweep.frequency_hz, level_db=sweep.level_db - model - level)
        )
    from dataclasses import replace

    return replace(fit, residuals=tuple(residuals))


def fit_record(fit: Fit, measurements: list[Measurement]) -> str:
    """Return what is kept of a fit of the demo sweeps, JSON; run this module to write it."""
    levels = []
    for measurement, residual in zip(measurements, fit.residuals):
        model = 20 * np.log10(np.abs(fixture_reading(fit.coil, measurement.fixture, residual.frequency_hz)))
        inside = np.isin(measurement.sweep.frequency_hz, residual.frequency_hz)
        levels.append(float(np.mean(measurement.sweep.level_db[inside] - model - residual.level_db)))
    return json.dumps({"name": fit.name, **fit.as_dict(), "levels_db": levels}, indent=1, ensure_ascii=False) + "\n"
