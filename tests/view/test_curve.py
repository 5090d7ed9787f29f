"""The live curve: right place, right words, nothing unescaped, labels apart."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core.errors import InputError
from labkit.view.curve.curve import Curve, draw_curves, spread_labels
from labkit.view.palette import NOW, PINS

SVG = "{http://www.w3.org/2000/svg}"
GRID = np.geomspace(50.0, 20_000.0, 201)


def flat(level_db: float, label: str = "Now", **more: object) -> Curve:
    return Curve(frequency_hz=GRID, gain_db=np.full(GRID.size, level_db), label=label, **more)


def drawing(*curves: Curve, width: int = 790) -> ElementTree.Element:
    return ElementTree.fromstring(draw_curves(curves, title="Level", description="flat", width=width))


def test_a_flat_line_lies_at_its_level():
    svg = drawing(flat(-10.0))
    _, _, top, bottom = map(float, svg.get("data-frame").split())
    _, _, low_db, high_db = map(float, svg.get("data-range").split())
    points = svg.find(f".//{SVG}polyline").get("points").split()
    (height,) = {float(point.split(",")[1]) for point in points}
    # coordinates are written to a tenth of a pixel
    assert height == pytest.approx((high_db + 10.0) / (high_db - low_db) * (bottom - top), abs=0.06)


def test_frequency_axis_is_logarithmic():
    points = drawing(flat(0.0)).find(f".//{SVG}polyline").get("points").split()
    steps = np.diff([float(point.split(",")[0]) for point in points])
    # log-spaced frequencies are evenly spaced to the rounding of a tenth of a pixel
    assert np.ptp(steps) <= 0.21


@pytest.mark.parametrize("width", [240, 400, 439, 440, 790, 1600])
def test_every_text_lies_inside_the_drawing(width):
    svg = drawing(flat(0.0), flat(-3.0, "cable 3 m", style=PINS[0]), width=width)
    for text in svg.iter(f"{SVG}text"):
        assert 0 <= float(text.get("x")) <= width
        assert 0 <= float(text.get("y")) <= float(svg.get("height"))


@pytest.mark.parametrize("width", [-5, 0, 10, 10**9])
def test_absurd_widths_are_clamped(width):
    assert 240 <= int(drawing(flat(0.0), width=width).get("width")) <= 1600


def test_names_cannot_break_out_of_the_drawing():
    evil = "</text><script>alert(1)</script>\" onload='x'"
    text = draw_curves([flat(0.0, evil)], title=evil, description=evil)
    assert "<script" not in text
    svg = ElementTree.fromstring(text)
    assert svg.find(f"{SVG}title").text == evil
    assert svg.find(f".//{SVG}polyline").get("data-label") == evil


def test_text_alternative_says_what_the_curve_says():
    svg = drawing(flat(0.0))
    assert svg.get("role") == "img"
    assert svg.get("aria-label") == "Level. flat"
    assert svg.find(f"{SVG}desc").text == "flat"


def test_lines_are_not_filled_and_carry_their_dash():
    svg = drawing(flat(0.0), flat(-3.0, "pin", style=PINS[1]))
    lines = {line.get("data-label"): line for line in svg.iter(f"{SVG}polyline")}
    assert all(line.get("fill") == "none" for line in lines.values())
    assert lines["pin"].get("stroke-dasharray") == "2.5 4"
    assert lines["Now"].get("stroke-dasharray") is None


def test_the_present_curve_is_drawn_last_so_that_it_lies_on_top():
    lines = list(drawing(flat(0.0), flat(-1.0, "pin", style=PINS[0])).iter(f"{SVG}polyline"))
    assert lines[-1].get("stroke") == NOW.colour


def test_a_silent_curve_still_draws():
    points = drawing(flat(-600.0)).find(f".//{SVG}polyline").get("points")
    assert "nan" not in points
    assert "inf" not in points


@given(st.lists(st.floats(min_value=0, max_value=300), min_size=1, max_size=4))
def test_labels_never_collide_and_stay_inside(wanted):
    places = spread_labels(wanted, gap=17, low=0, high=300)
    ordered = sorted(places)
    # rounding of sums of a few hundred pixels is far below 1e-6
    assert all(later - earlier >= 17 - 1e-6 for earlier, later in pairwise(ordered))
    assert min(places) >= -1e-6
    assert max(places) <= 300 + 1e-6


@given(st.lists(st.floats(min_value=0, max_value=300), min_size=2, max_size=4, unique=True))
def test_labels_keep_the_order_of_their_lines(wanted):
    places = spread_labels(wanted, gap=17, low=0, high=300)
    assert sorted(range(len(wanted)), key=wanted.__getitem__) == sorted(range(len(wanted)), key=places.__getitem__)


def test_a_curve_needs_as_many_levels_as_frequencies():
    with pytest.raises(InputError, match="as many levels"):
        Curve(frequency_hz=GRID, gain_db=np.zeros(3), label="x")
