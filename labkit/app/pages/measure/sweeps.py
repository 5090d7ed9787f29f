"""From dropped files and controls to measurements and a fit; what takes long is importable for a process of its own."""

from __future__ import annotations

import math
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from labkit.app.kit.controls import Value
from labkit.app.kit.upload import GivenFile
from labkit.app.pages.measure.controls import FIND_HZ, NOT_KNOWN_F
from labkit.bench.fit.fit import Fit, fit_sweeps
from labkit.bench.fit.fixture import Fixture, Load, Measurement
from labkit.bench.read.sweep import Sweep
from labkit.bench.read.sweep_reader import ReadingChoices, read_sweep
from labkit.core.errors import InputError, LabkitError
from labkit.core.sourced import Interval

LARGEST_SWEEP = 4_000_000
"""Bytes; ten thousand points are 0.3 MB, and no instrument needs more for three decades."""

ADVICE = "Export the sweep as CSV text with one frequency a line, a few hundred points are plenty."

Told = tuple[Sweep | None, str]
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


def read_files(files: Sequence[GivenFile], choices: Choices) -> list[Told]:
    """Read files, each through the reader that knows it; what cannot be read says why."""
    told: list[Told] = []
    for given in files:
        # readers take paths, since an instrument's format may be known by its ending
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / (re.sub(r"[^\w.,() -]", "_", given.name).lstrip(".") or "sweep.csv")
            path.write_bytes(given.content)
            try:
                told.append((read_sweep(path, choices.reading), ""))
            except LabkitError as error:
                told.append((None, str(error)))
    return told


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
    from dataclasses import replace

    kind = kind_of(sweep, values)
    if kind is None:
        raise InputError(f"{sweep.name}: the file does not show what was measured; say it under 'The sweep is'")
    good = float(values["own.load_good"]) / 100
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
            resistance_tolerance=good if resistance else 0.0,
            capacitance_tolerance=good if capacitance else 0.0,
        ),
        meter_resistance=float(values["own.meter_r"]) or math.inf,
        meter_capacitance=unknown if meter == NOT_KNOWN_F else meter,
        series_resistance=float(values["own.series"]) or None if kind == "divider" else None,
        exciter_differentiates=values["own.integrated"] == "in",
        rig_corner_hz=corner if is_exciter and corner > FIND_HZ else math.inf,
        fit_rig_corner=is_exciter and corner == FIND_HZ,
    )
    return Measurement(sweep=replace(sweep, kind=kind), fixture=fixture)  # type: ignore[arg-type]


def dc_reading(values: Mapping[str, Value]) -> Interval | None:
    """Return the ohmmeter's reading with its bounds; None where there is none."""
    ohms = float(values["own.dcr"])
    return Interval.relative(ohms, float(values["own.dcr_good"]) / 100) if ohms else None
