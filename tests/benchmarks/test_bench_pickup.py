"""A pickup from its build sheet to every value with its interval, cold and with its geometry known."""

from __future__ import annotations

import pytest

from labkit.catalogue import catalogue
from labkit.pickup.losses.plates import wave_energy
from labkit.pickup.magnetics.slices import interaction_matrix
from labkit.pickup.predict.built import BuiltPickup, predict_build, read_build
from labkit.pickup.predict.model import predictions
from labkit.pickup.predict.output import reference_sensitivities, strings_over
from labkit.pickup.predict.plan import coil_core, field_exponents, plan_of
from tests.benchmarks.conftest import Timed, cpu_seconds

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

GROUP = "one pickup from its build sheet"
DEMOS = [name for name in catalogue().names("pickup") if name.endswith("built")]


def cold(name: str) -> BuiltPickup:
    """Read and predict with nothing remembered but the catalogue."""
    for remembered in (predict_build, coil_core, field_exponents, wave_energy, interaction_matrix):
        remembered.cache_clear()
    return read_build(catalogue().item("pickup", name).table())


@pytest.mark.parametrize("name", DEMOS)
def test_sheet_to_values(timed: Timed, name: str) -> None:
    reference_sensitivities(tuple(each.wire for each in strings_over(cold(name).build)[0]))
    built = timed(GROUP, name, 1, lambda: cold(name), note="50 ms is the promise", rounds=25)
    assert built.total.inductance.high > built.total.inductance.low


def test_another_grade_in_the_same_wind(timed: Timed) -> None:
    before = cold("narrow single coil, built")

    def swap() -> BuiltPickup:
        predict_build.cache_clear()
        return before.with_magnet("Alnico 2")

    assert timed(GROUP, "magnet swapped", 1, swap).output_db.low < 0


def test_intervals_alone(timed: Timed) -> None:
    plan = plan_of(cold("two-coil, built").build)
    result = timed(GROUP, "two-coil: electrical intervals", 1, lambda: predictions(plan))
    assert result["total inductance"].largest is not None
