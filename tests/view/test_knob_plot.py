"""The plot over a knob's turn: lines where the numbers are, labels clear of them, text safe."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.rig.parts.taper import parse_taper
from labkit.view.curve.curve import Curve, difference_window, draw_curves, level_ticks
from labkit.view.curve.knob_plot import HEIGHT, WIDTH, KnobLine, draw_knob_plot
from labkit.view.palette import NOW, PINS

SVG = "{http://www.w3.org/2000/svg}"
TURN = np.linspace(0.0, 10.0, 41)


def plot(lines: list[KnobLine], **changes) -> ElementTree.Element:
    given = {"title": "t", "description": "d", "low": 0.0, "high": 100.0, "step": 20.0, "unit": " %", "axis": "a"}
    return ElementTree.fromstring(draw_knob_plot(lines, **{**given, **changes}))


def tapers() -> list[KnobLine]:
    words = ("audio 10 %", "linear", "audio 30 %")
    return [
        KnobLine(position=TURN, value=100 * np.asarray(parse_taper(name)(TURN / 10)), label=name, style=style)
        for name, style in zip(words, (NOW, *PINS))
    ]


def test_a_linear_track_is_drawn_as_a_straight_line():
    root = plot(tapers()[1:2])
    points = np.array([pair.split(",") for pair in root.find(f"{SVG}polyline").get("points").split()], dtype=float)
    slope = np.diff(points[:, 1]) / np.diff(points[:, 0])
    # coordinates are written to 0.1 px, over steps of 7.85 px
    assert slope == pytest.approx(slope.mean(), abs=0.03)


def test_what_lies_outside_the_axis_is_not_drawn():
    line = KnobLine(position=TURN, value=np.linspace(-60.0, 0.0, 41), label="x")
    root = plot([line], low=-40.0, high=0.0, step=10.0)
    assert len(root.find(f"{SVG}polyline").get("points").split()) == int(np.sum(line.value >= -40))


def test_labels_stand_inside_and_clear_of_each_other():
    root = plot(tapers())
    labels = [text for text in root.iter(f"{SVG}text") if text.get("font-weight") == "600"]
    assert [text.text for text in labels] == [line.label for line in tapers()]
    boxes = []
    for text in labels:
        x, y, wide = float(text.get("x")), float(text.get("y")), 7.2 * len(text.text)
        left = x - wide if text.get("text-anchor") == "end" else x
        assert 0 < left < left + wide < WIDTH
        assert 0 < y < HEIGHT
        boxes.append((left, left + wide, y))
    for index, one in enumerate(boxes):
        for other in boxes[index + 1 :]:
            assert one[1] < other[0] or other[1] < one[0] or abs(one[2] - other[2]) >= 13


def test_names_are_escaped():
    line = KnobLine(position=TURN, value=TURN, label="<b>")
    root = plot([line], title="<i>", axis="<u>")
    assert {"<b>", "<u>"} <= {text.text for text in root.iter(f"{SVG}text")}


@pytest.mark.parametrize("changes", [{"low": 1.0, "high": 1.0}, {"step": 0.0}])
def test_an_impossible_axis_is_refused(changes):
    with pytest.raises(InputError, match="value axis"):
        plot(tapers(), **changes)


def test_a_line_needs_a_value_for_every_position():
    with pytest.raises(InputError, match="as many values"):
        KnobLine(position=TURN, value=TURN[:-1], label="x")


def test_differences_get_an_axis_that_holds_them_with_four_to_seven_lines():
    for most in (0.001, 0.9, 1.5, 2.9, 8.0, 15.0):
        line = Curve(frequency_hz=np.array([100.0, 1000.0]), gain_db=np.array([0.0, -most]), label="x")
        low, high = difference_window([line])
        assert low <= -most <= high
        assert 4 <= len(level_ticks(low, high)) <= 9
        assert f'data-range="50 20000 {low:g} {high:g}"' in draw_curves(
            [line], title="t", description="d", levels=(low, high)
        )
