"""The drawing of magnets on their curve: both points lie where the model puts them, and the words say the same."""

from __future__ import annotations

import re

import pytest

from labkit.pickup.magnetics.history import HistoryEvent, aged
from labkit.pickup.magnetics.magnet import magnet, polarisation
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.standing import assembly_of
from labkit.view.drawings.working_point import draw_working_point, working_point_in_words

KNOCKED = (HistoryEvent(event="stabilised", loss=0.1),)


def points(drawing: str) -> list[tuple[float, float]]:
    found = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', drawing)
    return [(float(x), float(y)) for x, y in found]


@pytest.mark.parametrize("name", ["narrow single coil, built", "mixed-grade single coil, built", "two-coil, built"])
def test_fresh_magnets_are_drawn_on_the_curve(name: str) -> None:
    build = load_built(name).build
    grade = build.magnets[0]
    found = aged(assembly_of(build), KNOCKED)
    drawing = draw_working_point(grade, found, width=420)
    fresh, now = points(drawing)
    curve = [tuple(map(float, pair.split(","))) for pair in re.search(r'points="([^"]+)"', drawing)[1].split()]
    # one pixel of the drawing, and 4 for rods, whose ends stand lower on the curve than their middle
    assert min(abs(fresh[0] - x) + abs(fresh[1] - y) for x, y in curve) < 6
    assert now[0] > fresh[0], "weaker magnets stand in less of a field of their own"
    assert now[1] > fresh[1]


def test_the_words_give_the_numbers_of_the_drawing() -> None:
    build = load_built("narrow single coil, built").build
    five = magnet("Alnico 5")
    fresh = working_point_in_words(five, aged(assembly_of(build), ()))
    assert fresh.endswith("keep 0.63 T of their 1.28 T.")
    left = working_point_in_words(five, aged(assembly_of(build), KNOCKED))
    assert "90 % is left" in left
    # a row's mean of 0.63 T lies on the curve at the field of 49 kA/m that the words give
    drawn = polarisation(field=-49.1e3, remanence=1.28, coercivity=51e3, shape=five.shape)
    assert float(drawn) == pytest.approx(0.63, rel=0.06)  # ends of a rod stand lower than its middle


def test_fresh_magnets_have_one_point() -> None:
    build = load_built("narrow single coil, built").build
    assert len(points(draw_working_point(build.magnets[0], aged(assembly_of(build), ())))) == 1
