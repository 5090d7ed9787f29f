"""From files, a person's or the demo's, and controls to measurements and a fit.

What takes long is a function of its own, so that another process can import it.
"""

from __future__ import annotations

import json
import math
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np

from labkit.app.kit.controls import Value
from labkit.app.kit.files import GivenFile
from labkit.bench.fit.fit import EddyFit, Fit, Residual, fit_sweeps
from labkit.bench.fit.fixture import (
    CAPACITOR_TOLERANCE,
    NO_LOAD,
    RESISTOR_TOLERANCE,
    STANDARD_LOAD,
    Fixture,
    Load,
    Measurement,
)
from labkit.bench.fit.model import fixture_reading
from labkit.bench.fit.prediction import PredictedCurve
from labkit.bench.read.sweep import Sweep
from labkit.bench.read.sweep_reader import ReadingChoices, read_sweep
from labkit.core.errors import InputError, LabkitError
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection

NOT_KNOWN_F = 1e-13
"""Position "not known" of the meter's capacitance: a tenth of a picofarad, below any input."""

FIND_HZ = 1.0
"""Position "find it" of the rig's corner."""

LARGEST_SWEEP = 4_000_000
"""Bytes; ten thousand points are 0.3 MB, and no instrument needs more for three decades."""

ADVICE = "Export the sweep as CSV text with one frequency a line, a few hundred points are plenty."

ReadFile = tuple[Sweep | None, str]
"""A sweep as read, or None and the sentence that says why not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """Answers to what a file leaves open, hashable."""

    columns: tuple[tuple[str, str], ...] = ()
    frequency_unit: str | None = None
    magnitude_unit: str | None = None
    phase_unit: str | None = None

    @classmethod
    def of(cls, values: Mapping[str, Value]) -> Choices:
        """Return the answers that stand in controls."""
        units = {
            unit: None if values[f"own.{unit}"] == "found" else str(values[f"own.{unit}"])
            for unit in ("frequency_unit", "magnitude_unit", "phase_unit")
        }
        columns = tuple(
            (role, str(values[f"own.{role}_column"]))
            for role in ("frequency", "magnitude", "phase")
            if values[f"own.{role}_column"] != "found"
        )
        return cls(columns=columns, **units)

    @property
    def reading(self) -> ReadingChoices:
        """The answers as the reader takes them."""
        return ReadingChoices(
            columns=dict(self.columns) or None,
            frequency_unit=self.frequency_unit,  # type: ignore[arg-type]
            magnitude_unit=self.magnitude_unit,  # type: ignore[arg-type]
            phase_unit=self.phase_unit,  # type: ignore[arg-type]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FitAsk:
    """Everything a fit follows from."""

    measurements: tuple[Measurement, ...]
    name: str
    resistance: Interval | None
    sections: str


def read_files(files: Sequence[GivenFile], choices: Choices) -> list[ReadFile]:
    """Read files, each through the reader that knows it; what cannot be read says why."""
    read: list[ReadFile] = []
    for given in files:
        # readers take paths, since an instrument's format may be known by its ending
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / (re.sub(r"[^\w.,() -]", "_", given.name).lstrip(".") or "sweep.csv")
            path.write_bytes(given.content)
            try:
                read.append((read_sweep(path, choices.reading), ""))
            except LabkitError as error:
                read.append((None, str(error)))
    return read


def fit_asked(asked: FitAsk) -> Fit:
    """Fit what was asked for."""
    return fit_sweeps(
        asked.measurements,
        name=asked.name,
        resistance=asked.resistance,
        sections="auto" if asked.sections == "auto" else int(asked.sections),
    )


def kind_of(sweep: Sweep, values: Mapping[str, Value]) -> str | None:
    """Return what a sweep is: as the person says, else as the file does."""
    return sweep.kind if values["own.kind"] == "file" else str(values["own.kind"])


def measurement_of(sweep: Sweep, slot: int, values: Mapping[str, Value]) -> Measurement:
    """Return a sweep with the fixture and load that stand in the controls.

    Raises
    ------
    InputError
        If nobody has said what the sweep is, or the fixture cannot be.
    """
    kind = kind_of(sweep, values)
    if kind is None:
        raise InputError(f"{sweep.name}: the file does not show what was measured; say it under 'The sweep is'")
    said = float(values["own.load_good"]) / 100
    good = {"resistor": said or RESISTOR_TOLERANCE, "capacitor": said or CAPACITOR_TOLERANCE}
    resistance, capacitance = float(values[f"own.load_r{slot}"]), float(values[f"own.load_c{slot}"])
    corner = float(values["own.corner"])
    is_exciter = kind == "exciter"
    meter = float(values["own.meter_c"])
    unknown = None if kind != "impedance" else 0.0  # an impedance analyser is compensated at its tips
    fixture = Fixture(
        kind=kind,  # type: ignore[arg-type]
        load=Load(
            resistance=resistance or math.inf,
            capacitance=capacitance,
            resistance_tolerance=good["resistor"],
            capacitance_tolerance=good["capacitor"],
        ),
        meter_resistance=float(values["own.meter_r"]) or None,
        meter_capacitance=unknown if meter == NOT_KNOWN_F else meter,
        series_tolerance=good["resistor"],
        series_resistance=float(values["own.series"]) or None if kind == "divider" else None,
        exciter_differentiates=values["own.integrated"] == "in",
        rig_corner_hz=corner if is_exciter and corner > FIND_HZ else math.inf,
        fit_rig_corner=is_exciter and corner == FIND_HZ,
    )
    return Measurement(sweep=replace(sweep, kind=kind), fixture=fixture)  # type: ignore[arg-type]


def dc_reading(values: Mapping[str, Value], key: str = "own.dcr") -> Interval | None:
    """Return the ohmmeter's reading with its bounds; None where there is none."""
    ohms = float(values[key])
    return Interval.relative(ohms, float(values["own.dcr_good"]) / 100) if ohms else None


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
        discrepancy_db=kept["discrepancy_db"],
        prediction=PredictedCurve.from_dict(kept["prediction"]),
        doubts=tuple(kept["doubts"]),
    )
    residuals = []
    for measurement, level, parts in zip(measurements, kept["levels_db"], kept["fixtures"]):
        sweep = measurement.sweep
        load = replace(
            measurement.fixture.load,
            resistance=parts["load_resistance_ohm"] or math.inf,
            capacitance=parts["load_capacitance_f"],
        )
        fixture = replace(
            measurement.fixture,
            load=load,
            meter_resistance=parts["meter_resistance_ohm"],
            meter_capacitance=parts["meter_capacitance_f"],
        )
        model = 20 * np.log10(np.abs(fixture_reading(fit.coil, fixture, sweep.frequency_hz)))
        rest = sweep.level_db - model - level
        residuals.append(Residual(name=sweep.name, frequency_hz=sweep.frequency_hz, level_db=rest, fixture=fixture))
    return replace(fit, residuals=tuple(residuals))


def fit_record(fit: Fit, measurements: list[Measurement]) -> str:
    """Return what is kept of a fit of the demo sweeps, the text of ``data/demo_sweeps/fit.json``."""
    levels, fixtures = [], []
    for measurement, residual in zip(measurements, fit.residuals):
        used = residual.fixture
        fixtures.append(
            {
                "load_resistance_ohm": used.load.resistance if math.isfinite(used.load.resistance) else None,
                "load_capacitance_f": used.load.capacitance,
                "meter_resistance_ohm": used.meter_resistance,
                "meter_capacitance_f": used.meter_capacitance,
            }
        )
        model = 20 * np.log10(np.abs(fixture_reading(fit.coil, used, residual.frequency_hz)))
        inside = np.isin(measurement.sweep.frequency_hz, residual.frequency_hz)
        levels.append(float(np.mean(measurement.sweep.level_db[inside] - model - residual.level_db)))
    kept = {"name": fit.name, **fit.as_dict(), "levels_db": levels, "fixtures": fixtures}
    return json.dumps(kept, indent=1, ensure_ascii=False) + "\n"
