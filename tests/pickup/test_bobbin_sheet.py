"""A core by its size or its outline: the obround that is as long around and encloses as much."""

from __future__ import annotations

import math

import numpy as np
import pytest

from labkit.app.kit.pickup.made import flatten
from labkit.core.errors import InputError, SheetError
from labkit.pickup.winding.bobbin import obround_of, outline_points
from tests.pickup.builds import ROD_COIL, SINGLE, built

REST = {key: value for key, value in ROD_COIL.items() if key not in ("straight_length", "end_radius", "winding_height")}


def on(**bobbin: str) -> dict:
    return SINGLE | {"coil": {"main": REST | {"bobbin": bobbin}}}


def test_a_core_by_its_size_is_the_same_core() -> None:
    sized, plain = built(on(core_length="57 mm", core_width="5 mm", height="11 mm")), built()
    assert sized.total.inductance.value == pytest.approx(plain.total.inductance.value, rel=1e-12)
    assert sized.total.resistance.value == pytest.approx(plain.total.resistance.value, rel=1e-12)


def test_a_drawn_core_keeps_circumference_and_area() -> None:
    corners = outline_points("0 0, 60 0, 62 3, 60 6, 0 6, -2 3 mm")
    straight, radius = obround_of(corners)
    around = 2 * 60 + 4 * math.hypot(2, 3)
    assert 2e3 * straight + 2e3 * math.pi * radius == pytest.approx(around)
    assert 1e6 * (2 * straight * radius + math.pi * radius**2) == pytest.approx(60 * 6 + 2 * 6)
    # a circle of many corners has no straights; a dent is spanned by the wire
    angle = np.linspace(0, 2 * math.pi, 400, endpoint=False)
    straight, radius = obround_of(4e-3 * np.column_stack([np.cos(angle), np.sin(angle)]))
    assert straight < 0.15e-3
    assert radius == pytest.approx(4e-3, rel=0.01)
    dented = outline_points("0 0, 30 2, 60 0, 60 6, 0 6 mm")
    assert obround_of(dented) == obround_of(outline_points("0 0, 60 0, 60 6, 0 6 mm"))


def test_an_outline_makes_a_pickup_and_opens_on_the_page() -> None:
    drawn = built(on(outline="0 0, 57 0, 57 5, 0 5 mm", height="11 mm"))
    # sharp corners lengthen each turn a little: 124 mm around for 119.7 of the obround of that size
    assert 1.0 < drawn.total.mean_turn.value / built().total.mean_turn.value < 1.05
    keys = flatten(on(outline="0 0, 57 0, 57 5, 0 5 mm", height="11 mm"))
    assert keys["coil.main.winding_height"] == "11 mm"
    assert keys["coil.main.end_radius"] == "2.45053 mm"
    assert not any("bobbin" in key for key in keys)


@pytest.mark.parametrize(
    ("bobbin", "sentence"),
    [
        ({"height": "11 mm"}, "needs `core_length` and `core_width`, or an `outline`"),
        ({"height": "11 mm", "core_length": "57 mm"}, "needs `core_length` and `core_width`"),
        ({"height": "11 mm", "core_length": "5 mm", "core_width": "57 mm"}, "at least as long as wide"),
        ({"height": "11 mm", "outline": "0 0, 57 0 mm"}, "three corners or more"),
        ({"height": "11 mm", "outline": "0 0, 57 0, 60 0 mm"}, "lie on one line"),
        ({"height": "11 mm", "outline": "0 0, 57 0, 57 5, 0 5 V"}, "outline"),
        ({"height": "11 mm", "outlines": "0 0"}, "outlines: is not a key"),
    ],
)
def test_bobbins_that_cannot_be_are_refused_in_one_sentence(bobbin: dict, sentence: str) -> None:
    with pytest.raises(SheetError, match=sentence) as refused:
        built(on(**bobbin))
    assert "\n" not in str(refused.value)


def test_a_measure_is_not_said_twice() -> None:
    both = {"coil": {"main": ROD_COIL | {"bobbin": {"height": "11 mm", "core_length": "57 mm", "core_width": "5 mm"}}}}
    with pytest.raises(InputError, match="follows from the `bobbin`"):
        built(SINGLE | both)
