"""Measured points and what a fit leaves over, as drawings."""

import re
from xml.etree import ElementTree as Xml

import numpy as np
import pytest

from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.curve.residual import draw_residuals, residual_reach
from labkit.view.palette import PINS

FREQUENCY = np.geomspace(60, 18_000, 30)
NASTY = "<script>alert('x')</script>"


def _curve(size: float, label: str = "bare", **more) -> Curve:
    return Curve(frequency_hz=FREQUENCY, gain_db=size * np.sin(np.arange(30)), label=label, **more)


def test_measured_points_are_drawn_as_points_and_stay_readable():
    fitted, measured = _curve(1.0), _curve(1.0, "bare, measured", is_measured=True, style=PINS[0])
    svg = draw_curves([fitted, measured], title="t", description="d")
    assert svg.count("<circle") == 30
    unseen = re.search(r'<polyline fill="none" stroke="none"[^>]*data-label="bare, measured" points="([^"]*)"', svg)
    assert unseen
    assert len(unseen[1].split()) == 30
    labels = [node.text for node in Xml.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
    assert labels.count("bare") == 1
    assert "bare, measured" not in labels


def test_zero_residual_lies_on_the_zero_line():
    svg = draw_residuals([_curve(0.0)], description="d", width=600)
    ys = {point.split(",")[1] for point in re.search(r'points="([^"]*)"', svg)[1].split()}
    height = int(re.search(r'height="(\d+)"', svg)[1])
    assert ys == {f"{(8 + height - 20) / 2:.1f}"}


@pytest.mark.parametrize(("largest", "end"), [(0.1, 0.2), (0.21, 0.5), (3.0, 5.0), (70.0, 100.0)])
def test_the_axis_holds_every_residual(largest, end):
    curve = Curve(frequency_hz=np.array([1e2, 1e3]), gain_db=np.array([-largest, 0.0]), label="x")
    assert residual_reach([curve]) == end


@pytest.mark.parametrize("width", [10, 400, 790, 9000])
def test_names_from_outside_stay_text(width):
    svg = draw_residuals([_curve(1.0, NASTY)], description=NASTY, width=width)
    assert "<script" not in svg
    Xml.fromstring(svg)
