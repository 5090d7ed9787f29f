"""The page of builds holds the whole catalogue of them, each with its numbers, as the code predicts them today."""

from __future__ import annotations

import pytest

from docs.tools import builds_page
from labkit.pickup.predict.built import load_built
from tests.docs.alike import alike

BUILT = builds_page.built_names()


def test_the_page_of_builds_is_fresh() -> None:
    # a unit in the last printed place of three
    assert alike(builds_page.PAGE.read_text(encoding="utf-8"), builds_page.generate(), tolerance=0.02), (
        "run python -m docs.tools.builds_page"
    )


def test_pickups_of_a_dozen_kinds_are_there_to_start_from() -> None:
    text = builds_page.PAGE.read_text(encoding="utf-8")
    assert len(BUILT) >= 16
    assert all(f"| {name} |" in text for name in BUILT)


@pytest.mark.parametrize("name", BUILT)
def test_every_build_has_resistance_inductance_capacitance_field_and_output(name: str) -> None:
    built = load_built(name)
    for value in (built.total.resistance, built.total.inductance, built.total.capacitance, *built.field_t):
        assert 0 < value.low < value.value < value.high
    assert len(built.field_t) == 5
    assert built.output_db is not None
    assert built.output_db.low < built.output_db.high
    # resistance against the length of copper of the coils, 5 %: joined wires, and gauges as their standard rounds them
    copper = sum(coil.winding.resistance() for _, coil in built.build.coils if coil.winding is not None)
    assert built.total.resistance.value == pytest.approx(copper, rel=0.05)
