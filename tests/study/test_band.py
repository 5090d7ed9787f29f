"""The band behind a live curve: that of a study of thousands of variants, and the same however one came to a rig."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.circuit.solve.solver import solve
from labkit.core.grid import frequency_grid
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_pickup, load_rig
from labkit.study.measures import decibels
from labkit.study.tolerance.band import BAND_ERROR, LiveBand
from labkit.study.tolerance.tolerance import tolerance_study

GRID_HZ = frequency_grid(50, 20_000, 40)
VARIANTS = 4096


def turned(rig: Rig, position: float) -> Rig:
    """The rig with every knob at one position."""
    knobs = [control.name for control in rig.harness.controls if isinstance(rig.settings[control.name], float)]
    return rig.replace(settings=dict.fromkeys(knobs, position))


def sampled(rig: Rig) -> np.ndarray:
    """The 2.5 and 97.5 % quantiles of a study's own variants, dB, shape (2, F)."""
    study = tolerance_study(rig, count=VARIANTS)
    values = study.element_values(study.draws(0))
    levels = decibels(solve(study.variation.circuit, GRID_HZ, values).transfer)
    return np.percentile(levels, [2.5, 97.5], axis=0)


def built() -> Rig:
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    return rig.replace(pickups={"bridge": load_pickup("narrow single coil, built")})


RIGS = {
    "single": lambda: load_rig("Saltmarsh Lane, narrow single coil"),
    "pair": lambda: load_rig("Saltmarsh Lane, two pickups"),
    "pedal": lambda: load_rig("Saltmarsh Lane, pedal of low impedance"),
    "built": built,
}


@pytest.mark.parametrize("position", [10.0, 4.0])
@pytest.mark.parametrize("name", RIGS)
def test_the_band_is_that_of_thousands_of_variants(name, position):
    rig = turned(RIGS[name](), position)
    low, high = sampled(rig)
    band = LiveBand()(rig, GRID_HZ)
    # as stated, and 0.01 dB for bands that are narrower than that
    allowed = BAND_ERROR * (high - low) / 2 + 0.01
    assert np.all(np.abs(band.low_db - low) <= allowed)
    assert np.all(np.abs(band.high_db - high) <= allowed)


def test_the_band_does_not_depend_on_the_rigs_before():
    rig, live = load_rig("Saltmarsh Lane, two pickups"), LiveBand()
    cable = next(stage for stage in rig.chain if stage.kind == "cable")
    steps = [rig, turned(rig, 7.0), rig.with_stage(replace(cable, length=9.0)), built(), rig]
    steps.append(rig.replace(settings={rig.harness.selectors[0].name: rig.harness.selectors[0].positions[-1]}))
    for step in steps:
        once, again = live(step, GRID_HZ), LiveBand()(step, GRID_HZ)
        # what is kept was worked out at other places of the same ranges: equal but for rounding
        np.testing.assert_allclose(once.low_db, again.low_db, atol=1e-9)
        np.testing.assert_allclose(once.high_db, again.high_db, atol=1e-9)


def test_a_wider_tolerance_widens_the_band():
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    pot = rig.harness.part("volume")
    exact = rig.replace(parts={"volume": replace(pot, tolerance=0.01)})
    wide = rig.replace(parts={"volume": replace(pot, tolerance=0.30)})
    widths = [band.high_db - band.low_db for band in (LiveBand()(each, GRID_HZ) for each in (exact, rig, wide))]
    peak = int(np.argmax(widths[1]))
    assert widths[0][peak] <= widths[1][peak] < widths[2][peak]
