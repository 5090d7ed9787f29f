"""Poles, magnets, field and losses of one pickup, each from nothing: caches of earlier rows are emptied first."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.pickup.losses.cylinder import CoreInductance, fit_sections
from labkit.pickup.losses.plates import Cover, plate_effect, wave_energy
from labkit.pickup.magnetics.field import estimate_charge, predict_field
from labkit.pickup.magnetics.magnet import magnet, operating_point
from labkit.pickup.magnetics.poles import pole_inductance
from labkit.pickup.magnetics.slices import interaction_matrix, pooled_distances
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.pickup.worked import COIL, SHAPE, TURNS, row

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

GROUP = "poles of one pickup"
ROW, FIVE = row(), magnet("Alnico 5")


def forget() -> None:
    for cached in (interaction_matrix, pooled_distances, wave_energy):
        cached.cache_clear()


def steel() -> CoreInductance:
    added = pole_inductance(ROW, turns=TURNS, relative_permeability=100.0, **COIL)
    return CoreInductance(
        stored=added.stored,
        demagnetising_factor=added.demagnetising_factor,
        relative_permeability=100.0,
        radius=ROW.radius,
        resistivity=1.55e-7,
    )


def test_added_inductance(timed: Timed) -> None:
    def run() -> float:
        forget()
        return pole_inductance(ROW, turns=TURNS, relative_permeability=2.8, **COIL).inductance

    assert timed(GROUP, "inductance of six rods by slices", 1, run) > 0.3


def test_operating_point(timed: Timed) -> None:
    def run() -> object:
        forget()
        return operating_point(ROW, FIVE)

    assert timed(GROUP, "operating point of six rods", 1, run).steps < 10


def test_field_with_intervals(timed: Timed) -> None:
    distance = np.arange(1, 5) * 1e-3
    found = timed(
        GROUP, "field at four distances with intervals", 1, lambda: predict_field(ROW, FIVE, distance=distance)
    )
    assert len(found) == 4


def test_charge_from_a_reading(timed: Timed) -> None:
    found = timed(GROUP, "charge from a reading", 1, lambda: estimate_charge(ROW, FIVE, reading=0.05, gap=0.0))
    assert 0 < found.charge.value < 1


def test_fit_of_three_sections(timed: Timed) -> None:
    core = steel()
    low = 1.7 + core.low_frequency
    sections = timed(
        GROUP,
        "three sections for steel rods",
        1,
        lambda: fit_sections(lambda f: 1.7 + core.inductance(f), low_frequency=low, count=3),
    )
    assert len(sections) == 3


def test_cover(timed: Timed) -> None:
    cover = Cover(resistivity=3e-7, thickness=0.4e-3, gap=1.2e-3)

    def run() -> float:
        forget()
        return plate_effect(cover, SHAPE, turns=TURNS, core_ratio=1.25).total

    assert timed(GROUP, "cover", 1, run) > 0.1
